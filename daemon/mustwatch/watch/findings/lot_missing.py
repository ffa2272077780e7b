"""A float that reads a wine where the book has no lot: nobody watches that wine, and what is said of it is lost to it.

Water, a sanitiser and a float lying dry are told from a wine by their gravity and by what it does: a wine's changes a
little from reading to reading, and falls; it neither steps down to water's nor up as a float's does that is lifted out.
"""

from dataclasses import dataclass, field
from typing import NamedTuple

from mustwatch.cellar.history import Placement
from mustwatch.cellar.instant import HOUR_MS
from mustwatch.cellar.quantities import Celsius, Gravity, GravityPerDay, rounded
from mustwatch.watch.detector import NOTHING, Latch
from mustwatch.watch.finding import About, FindingKind, Severity, Subject, Transition
from mustwatch.watch.memory import TRANSIENT
from mustwatch.watch.standing import Left, Standing

KIND = FindingKind("lot-missing", About.GEAR, Standing, is_of_lot=False)
WATER_LIKE = 1.005
"""Water and what is commonly sanitised with read less, a float's own error included. Common practice, no source."""
NO_MUST = 1.150
"""A must reads less; a float that lies on its side often reads more. From memory."""
PATIENCE_MS = 2 * HOUR_MS
"""So long it has to read a wine: a calibration in sugar water, and a lot that is begun a little later, are over."""
FEWEST = 4
"""Readings in that time."""
SOON_MS = HOUR_MS
"""A lot that begins there within so long is this wine's."""
OTHERWISE_MS = HOUR_MS
"""So long it has to read no wine before it is believed to be out of one: it was lifted, rinsed and put back."""
FALLS = 0.004
"""A fall of so much within a day is a ferment, and of so much a day is told as one. Own choice."""
FALL_SPAN_MS = 6 * HOUR_MS
"""A fall is judged over so long at least."""
KEPT_HOURS = 24
FASTEST_PER_HOUR = 0.0025
"""No must falls faster (``cellar.doubts`` judges by the day): with ``FALLS``, a larger step is another liquid."""
ANOTHER = 0.020
"""A rise of so much at once is no wine's (the float lies on its side); such a step is another liquid's. Own choice."""


class Hour(NamedTuple):
    """An hour's readings: when the first came, the mean gravity 20/20 of so many, °C as said last."""

    first_ms: int
    gravity: float
    readings: int
    celsius: float | None


class Said(NamedTuple):
    """What a float said: when, the value as it came, corrected to gravity 20/20 (None: no wine's), and °C."""

    at_ms: int
    value: float | None
    gravity: float | None
    celsius: float | None


@dataclass(slots=True)
class LotMissing:
    """Follows one float, in event time, while it is in no lot.

    It is raised after two hours of a must's or wine's gravity in a vessel; of a float that the book has in none, and so
    may lie anywhere, only by a fall. It is cleared once a lot begins there, the float is elsewhere, or reads no wine.
    """

    sensor: str = field(metadata=TRANSIENT)
    _vessel: str | None = None
    _last_ms: int = -(2**62)
    _hours: list[Hour] = field(default_factory=list)
    _value: float | None = None
    _is_alive: bool = False
    _otherwise_ms: int | None = None
    latch: Latch = field(default_factory=lambda: Latch(KIND))
    _is_news: bool = field(metadata=TRANSIENT, default=False)

    @property
    def holds(self) -> bool:
        """Say whether the finding holds."""
        return self.latch.severity is not None

    def place_known(self, vessel: str | None) -> None:
        """Take over in which vessel it was when what holds was found."""
        self._vessel = vessel

    def booked(self, place: Placement) -> tuple[Transition, ...]:
        """Take in where the book has the float: with a lot, or elsewhere, the finding is over."""
        return self._over(place.from_ms) if place.lot is not None or place.vessel != self._vessel else NOTHING

    def take(self, said: Said, place: Placement) -> tuple[Transition, ...]:
        """Take in what the float said while the book has it in no lot."""
        told = self._placed(said, place)
        self._last_ms = said.at_ms
        if said.gravity is None or not self._is_wine(said.gravity, said.at_ms):
            return (*told, *self._otherwise(said))
        self._otherwise_ms = None
        if not self.holds and self._hours and abs(said.gravity - self._hours[-1].gravity) > ANOTHER:
            self._forget()
        self._note(said, said.gravity)
        is_soon = place.until_ms - said.at_ms <= SOON_MS
        if self.holds or is_soon or not self._is_told_by(said.at_ms):
            return told
        self._is_news = False
        subject = Subject(None, place.vessel, self.sensor)
        return (*told, *self.latch.set(said.at_ms, subject, Severity.NOTICE, self.evidence()))

    def evidence(self) -> Standing:
        """Return the gravity of the last hour, its rate over the last day where that can be told, and °C."""
        last, rate = self._hours[-1], self._rate_per_day()
        celsius = None if last.celsius is None else Celsius(last.celsius)
        return Standing(Gravity(round(last.gravity, 4)), rounded(GravityPerDay, rate, 4), celsius)

    def fresh_figures(self) -> tuple[int, str | None, Standing] | None:
        """Return, once an hour while it holds, when and in which vessel it last read a wine, and the figures."""
        if not (self._is_news and self.holds and self._hours):
            return None
        self._is_news = False
        return self._last_ms, self._vessel, self.evidence()

    def _placed(self, said: Said, place: Placement) -> tuple[Transition, ...]:
        """Begin anew where the float is elsewhere than at its last word, or was in a lot since."""
        told: tuple[Transition, ...] = NOTHING
        if place.vessel != self._vessel or self._last_ms < place.from_ms:
            told = self._over(max(place.from_ms, self._last_ms))
            self._vessel = place.vessel
            self._forget()
        elif said.at_ms - self._last_ms > FALL_SPAN_MS and not self.holds:
            self._forget()
        return told

    def _is_wine(self, gravity: float, at_ms: int) -> bool:
        """Say whether a gravity is a must's or wine's; below water's only where a wine fell to it that was told of."""
        if gravity >= NO_MUST:
            return False
        if not (self.holds and self._hours):
            return gravity > WATER_LIKE
        hours = (at_ms - self._hours[-1].first_ms) / HOUR_MS
        last = self._hours[-1].gravity
        fell = last - gravity
        return fell > -ANOTHER and (gravity > WATER_LIKE or fell < FALLS + FASTEST_PER_HOUR * hours)

    def _otherwise(self, said: Said) -> tuple[Transition, ...]:
        """Take in that it reads no wine: believed after an hour."""
        if self._otherwise_ms is None:
            self._otherwise_ms = said.at_ms
        if said.at_ms - self._otherwise_ms < OTHERWISE_MS:
            return NOTHING
        evidence = Left(
            None if said.gravity is None else Gravity(said.gravity),
            celsius=None if said.celsius is None else Celsius(said.celsius),
        )
        told = self.latch.clear(said.at_ms, Subject(None, self._vessel, self.sensor), evidence)
        self._forget()
        return told

    def _note(self, said: Said, gravity: float) -> None:
        self._is_alive = self._is_alive or (self._value is not None and said.value != self._value)
        self._value = said.value
        last = self._hours[-1] if self._hours else None
        if last is None or said.at_ms - last.first_ms >= HOUR_MS:
            self._hours.append(Hour(said.at_ms, gravity, 1, said.celsius))
            del self._hours[:-KEPT_HOURS]
            self._is_news = True
            return
        count = last.readings + 1
        mean = last.gravity + (gravity - last.gravity) / count
        celsius = said.celsius if said.celsius is not None else last.celsius
        self._hours[-1] = Hour(last.first_ms, mean, count, celsius)

    def _is_told_by(self, at_ms: int) -> bool:
        """Say whether what was heard tells of a wine: long enough, alive, and falling where no vessel is known."""
        readings = sum(hour.readings for hour in self._hours)
        if at_ms - self._hours[0].first_ms < PATIENCE_MS or readings < FEWEST or not self._is_alive:
            return False
        spans = self._hours[-1].first_ms - self._hours[0].first_ms >= FALL_SPAN_MS
        fell = spans and self._hours[0].gravity - self._hours[-1].gravity >= FALLS
        return fell or self._vessel is not None

    def _rate_per_day(self) -> float | None:
        """Return the gravity's change per day between the first and the last hour kept, or None of less than six."""
        first, last = self._hours[0], self._hours[-1]
        hours = (last.first_ms - first.first_ms) / HOUR_MS
        return (last.gravity - first.gravity) / hours * 24 if hours * HOUR_MS >= FALL_SPAN_MS else None

    def _over(self, at_ms: int) -> tuple[Transition, ...]:
        """End the finding: no earlier than it began."""
        at_ms = max(at_ms, self.latch.since_ms)
        return self.latch.clear(at_ms, Subject(None, self._vessel, self.sensor))

    def _forget(self) -> None:
        self._hours, self._value, self._is_alive, self._otherwise_ms = [], None, False, None
