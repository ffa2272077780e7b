"""Night swing: between evening and morning the must's temperature swings further than the profile allows."""

from collections.abc import Iterable
from dataclasses import dataclass

from mustwatch.cellar.quantities import Celsius, Count, Kelvin
from mustwatch.watch.detector import NOTHING, OneLatch
from mustwatch.watch.finding import About, Curve, Drawn, Evidence, FindingKind, Severity, Transition
from mustwatch.watch.slot_view import HANDLED_MS, SlotView

CALM_NIGHTS = 2
"""So many nights in a row under the limit, and swings that come back are over."""


@dataclass(frozen=True, slots=True)
class Swing(Evidence):
    """A night's swing and between what it swung; the largest while this holds, and how many nights of how many."""

    swing_celsius: Kelvin
    lowest_celsius: Celsius
    highest_celsius: Celsius
    worst_swing_celsius: Kelvin | None = None
    nights_swung: Count | None = None
    of_nights: Count | None = None


KIND = FindingKind("night-swing", About.WINE, Swing, drawn=Drawn(Curve.TEMPERATURE), is_nightly=True)


@dataclass(slots=True)
class NightSwing(OneLatch):
    """Between evening and morning the must's temperature swings further than the profile allows.

    Raised in the night in which it happens, as soon as it has; cleared at the end of the second night in a row that
    stays under the limit: cold nights of one week are one finding, counted. The night is the cellar's own (18:00 to
    09:00 unless configured).
    """

    kinds = (KIND,)
    lowest_c: float | None = None
    highest_c: float | None = None
    slots: int = 0
    odd_low_c: float = 0.0
    odd_high_c: float = 0.0
    worst_c: float = 0.0
    nights: int = 0
    of_nights: int = 0
    calm_nights: int = 0
    is_odd: bool = False

    def evidence(self, view: SlotView) -> Evidence:
        """Return the newest night that swung too far, as far as it has come, and the largest swing so far."""
        low, high, worst = self.odd_low_c, self.odd_high_c, Kelvin(round(self.worst_c, 2))
        return _swung(low, high, worst, Count(self.nights), Count(self.of_nights))

    def judge(self, view: SlotView) -> Iterable[Transition]:
        """Judge one closed slot."""
        celsius = view.celsius
        if not view.is_night:
            return NOTHING if self.lowest_c is None else self._morning(view)
        if celsius is None:
            return NOTHING
        if self.lowest_c is None or self.highest_c is None:
            self.lowest_c = self.highest_c = celsius
            self.of_nights += 1
        self.slots += 1
        if celsius < self.lowest_c:
            self.lowest_c = celsius
        elif celsius > self.highest_c:
            self.highest_c = celsius
        else:
            return NOTHING
        swing = self.highest_c - self.lowest_c
        if swing < view.profile.night_swing_c or view.at_ms - view.disturbed_ms < HANDLED_MS:
            return NOTHING
        if self.latch.severity is None:
            self.worst_c, self.nights, self.of_nights = swing, 0, 1
        if not self.is_odd:
            self.nights += 1
        self.is_odd = True
        self.odd_low_c, self.odd_high_c, self.calm_nights = self.lowest_c, self.highest_c, 0
        self.worst_c = max(swing, self.worst_c)
        return self.latch.set(view.at_ms, view.subject, Severity.NOTICE, self.evidence(view))

    def _morning(self, view: SlotView) -> Iterable[Transition]:
        low, high = self.lowest_c or 0.0, self.highest_c or 0.0
        swing, evidence = high - low, _swung(low, high)
        observed, is_odd = self.slots, self.is_odd
        self.lowest_c = self.highest_c = None
        self.slots, self.is_odd = 0, False
        # A night hardly observed clears nothing: no data is not good news.
        if observed < 30 or is_odd or swing >= view.profile.night_swing_c:
            return NOTHING
        self.calm_nights += 1
        if self.calm_nights < CALM_NIGHTS:
            return NOTHING
        return self.latch.clear(view.at_ms, view.subject, evidence)


def _swung(
    low: float,
    high: float,
    worst: Kelvin | None = None,
    nights: Count | None = None,
    of_nights: Count | None = None,
) -> Swing:
    return Swing(
        Kelvin(round(high - low, 2)),
        Celsius(round(low, 2)),
        Celsius(round(high, 2)),
        worst_swing_celsius=worst,
        nights_swung=nights,
        of_nights=of_nights,
    )
