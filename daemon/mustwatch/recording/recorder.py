"""Writing in the cellar book: judge an entry by the rules, append it, and have its lot looked at again.

Commands and pages both write through here, so that the same rules hold for both. An entry is one short transaction;
a daemon that runs notices it, and without one the lot is evaluated on the spot.
"""

import time
import uuid
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from statistics import median
from typing import NamedTuple

from mustwatch.cellar.book import BottlesTaken, Entry, Measurement, Start, Transfer, What
from mustwatch.cellar.consistency import News, broken_by, news_of
from mustwatch.cellar.facts import FLOAT_SD, HYDROMETER_SD, NOTHING_KNOWN, Facts, allowance
from mustwatch.cellar.guidance import entry_cautions
from mustwatch.cellar.hearing import said_of_sensors
from mustwatch.cellar.history import CellarHistory, LotHistory, fold, in_force
from mustwatch.cellar.instant import HOUR_MS
from mustwatch.cellar.naming import unknown_lot, unknown_sensor
from mustwatch.cellar.profile import Profile
from mustwatch.cellar.refusal import Reason, Refusal, overrulable, wrong
from mustwatch.cellar.rules import Cellar, refusals
from mustwatch.cellar.sensor import SensorKind
from mustwatch.cellar.transfer_rules import can_ferment_again
from mustwatch.config.plan import CellarPlan, note_places, plan_of
from mustwatch.config.profiles import profile_names
from mustwatch.config.settings import Settings
from mustwatch.evaluation.facts import facts_of
from mustwatch.evaluation.live import Evaluation
from mustwatch.evaluation.placing import Placer
from mustwatch.store.keeper import AlreadyKeptError, Keeper
from mustwatch.store.store import Store

OFFERED_MS = 3 * HOUR_MS
"""An estimate may be this far from the entry's instant to be offered for it."""
LOOKED_AT_WITHIN_S, LOOK_EVERY_S = 3.0, 0.05
"""How long a daemon that keeps watch is given to look at what was written, so that whoever looks next sees it. It looks
once a second; a season that it evaluates again takes longer, and is not waited for."""
AROUND_MS = HOUR_MS
"""What a float says at a check is the median of its readings within this time of it."""
ID_LENGTH = 12
"""Hex digits of an entry's id: 48 random bits, so that two machines never make the same."""


class RefusedError(Exception):
    """An entry is refused; ``refusals`` says why, most basic reason first."""

    def __init__(self, found: Sequence[Refusal]) -> None:
        """Keep the reasons."""
        self.refusals = tuple(found)
        super().__init__("; ".join(refusal.line for refusal in found))

    @property
    def exit_code(self) -> int:
        """Return what a command exits with: 2 if anything is wrong input, else 1."""
        return max(refusal.exit_code for refusal in self.refusals)


class WrittenBeforeError(Exception):
    """The book has an entry of this id: what was sent to write it was sent before."""


class NothingToCompareError(LookupError):
    """A float cannot be held against a check; the text says why and what to do."""


@dataclass(frozen=True, slots=True)
class Offered:
    """What the sensors offer for an entry: gravity 20/20 with its standard error, °C, and when it was so."""

    gravity: float | None = None
    gravity_sd: float | None = None
    temperature_c: float | None = None
    at_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Disagreement:
    """A float and a hydrometer check: what each said, and whether they differ by more than both errors allow.

    ``offset`` is what a re-anchoring would add to the float's gravity from the check on (``offset_now`` holds
    so far).
    """

    sensor: str
    gravity_float: float
    gravity_check: float
    allowed: float
    offset_now: float

    @property
    def apart(self) -> float:
        """Return how much more the float shows than the hydrometer."""
        return self.gravity_float - self.gravity_check

    @property
    def is_adrift(self) -> bool:
        """Return whether the difference is more than both errors allow."""
        return abs(self.apart) > self.allowed

    @property
    def offset(self) -> float:
        """Return the offset that would make the float agree."""
        return self.offset_now - self.apart


class Compared(NamedTuple):
    """When a check was made, and the offset that would make a float agree with it."""

    at_ms: int
    offset: float


@dataclass(frozen=True, slots=True)
class Recorded:
    """An entry that was written: what to be careful of, what the check says of the floats, who evaluates it.

    ``sensors`` says in sentences which sensors hear a lot that began or was racked, and which do not.
    """

    entry: Entry
    cautions: tuple[str, ...] = ()
    floats: tuple[Disagreement, ...] = ()
    is_evaluated: bool = True
    sensors: tuple[str, ...] = ()


class Recorder:
    """Writes in the book of one store."""

    def __init__(
        self, store: Store, settings: Settings, now_ms: int, wake: Callable[[], None] = lambda: None
    ) -> None:
        """Use a store and its configuration at an instant; ``wake`` has this process's own watch look at the book."""
        self.store = store
        self._wake = wake
        self._written_before = store.book.newest_change()
        self._settings = settings
        self.now_ms = now_ms
        self.plan: CellarPlan = plan_of(settings)
        self.measures = self.plan.rules.units.measures
        self.zone = self.measures.zone
        note_places(store, self.plan, now_ms)
        self._read()

    def _read(self) -> None:
        self.entries: list[Entry] = self.store.book.entries()
        self._placer = Placer(self.store, self.plan)

    @property
    def history(self) -> CellarHistory:
        """Return the cellar's history as the book now tells it."""
        return self._placer.history

    # --- what is known -------------------------------------------------------------------------------------

    def profile(self, lot: str) -> Profile:
        """Return a lot's limits, the default ones for a lot that is not in the book."""
        history = self.history.lots.get(lot)
        return Profile() if history is None else self.plan.profile_for(history)

    def facts(self, lot: str) -> Facts:
        """Return what the watch says of a lot now."""
        history = self.history.lots.get(lot)
        if history is None:
            return NOTHING_KNOWN
        now = self.store.watching.now().get(lot)
        return facts_of(history, self.history, now, self.store.alerts.open(), self.plan)

    def offered(self, lot: str, at_ms: int) -> Offered:
        """Return the estimate nearest to an instant, as far as sensors spoke near enough to it.

        An estimate that rests on checks by hand alone is not offered: it would only repeat the last one.
        """
        near = self.store.watching.estimates(lot, at_ms - OFFERED_MS, at_ms + OFFERED_MS)
        history = self.history.lots.get(lot)
        if not near or history is None:
            return Offered()
        best = min(near, key=lambda e: abs(e.at_ms - at_ms))
        floats = self.floats_with(history, best.at_ms)
        said = self.store.readings.between(at_ms - OFFERED_MS, at_ms + OFFERED_MS)
        if any(reading.sensor in floats for reading in said):
            return Offered(best.gravity, best.gravity_sd, best.temperature_c, best.at_ms)
        has_probe = any(
            self.history.place(reading.sensor, reading.observed_ms).lot == lot for reading in said
        )
        return Offered(None, None, best.temperature_c if has_probe else None, best.at_ms)

    def gravity_by_floats(self, lot: str, at_ms: int) -> float | None:
        """Return the newest estimate of a lot that has floats, up to an instant; None of one kept by hand."""
        history = self.history.lots.get(lot)
        if history is None or not self.floats_with(history, at_ms):
            return None
        newest = self.store.watching.newest_gravity(lot, at_ms)
        return None if newest is None else newest[1]

    def floats_with(self, lot: LotHistory, at_ms: int) -> tuple[str, ...]:
        """Return the floats that were in a lot's vessels at an instant."""
        vessels = lot.vessels_at(at_ms)
        return tuple(s for s in self._floats() if self.history.place(s, at_ms).vessel in vessels)

    def floats_in(self, vessel: str, at_ms: int) -> tuple[str, ...]:
        """Return the floats that were in a vessel at an instant."""
        return tuple(s for s in self._floats() if self.history.place(s, at_ms).vessel == vessel)

    def _floats(self) -> Iterable[str]:
        return (s.id for s in self.plan.sensors.values() if s.kind is SensorKind.FLOAT)

    def by_last_check(self, lot: str, sensor: str) -> Compared:
        """Return a float beside the last check of a lot, and when that was.

        Raises:
            NothingToCompareError: there is no such lot, float or check, or the float said nothing around it.
        """
        history = self.history.lots.get(lot)
        if history is None:
            raise NothingToCompareError(unknown_lot(lot, self.history.lots))
        if sensor not in self.plan.sensors:
            raise NothingToCompareError(unknown_sensor(sensor, self.plan.sensors))
        last = history.last_measurement()
        if last is None or last[1].gravity is None:
            raise NothingToCompareError(
                f"no hydrometer check to re-anchor to: mustwatch record measure {lot!r} --gravity G --celsius T"
            )
        compared = self.compare(sensor, history, last[0], last[1].gravity)
        if compared is None:
            raise NothingToCompareError(
                f"{sensor} said nothing of {lot!r} within an hour of the check of {self.measures.written(last[0])}: "
                "check again while it reports, or give --offset"
            )
        return Compared(last[0], compared.offset)

    def compare(self, sensor: str, lot: LotHistory, at_ms: int, gravity: float) -> Disagreement | None:
        """Return what a float said around a check, beside the check; None if it said nothing of this lot."""
        said: list[float] = []
        for reading in self.store.readings.between(at_ms - AROUND_MS, at_ms + AROUND_MS, [sensor]):
            placed = self._placer.place(sensor, reading.observed_ms)
            if placed.lot == lot.lot and placed.vessel is not None:
                corrected = self._placer.observation(reading, placed.vessel).gravity
                said += [corrected] if corrected is not None else []
        if not said:
            return None
        offsets = self.history.offsets.get(sensor, ())
        now = next((offset for from_ms, offset in reversed(offsets) if from_ms <= at_ms), 0.0)
        configured = self.plan.sensors[sensor].gravity_sd or FLOAT_SD
        allowed = allowance(configured, HYDROMETER_SD)
        return Disagreement(sensor, median(said), gravity, allowed, now)

    # --- writing -------------------------------------------------------------------------------------------

    def entry(
        self, lot: str, at_ms: int, what: What, despite: str | None = None, entry_id: str | None = None
    ) -> Entry:
        """Return a new entry, not yet written; of an id that was given out for it, or one of its own."""
        return Entry(entry_id or uuid.uuid4().hex[:ID_LENGTH], lot, at_ms, self.now_ms, what, despite)

    def judge(self, entry: Entry) -> list[Refusal]:
        """Return why an entry is refused; empty if it may be written."""
        held = [e for e in in_force([*self.entries, entry]) if e.id != entry.id]
        cellar = Cellar(
            history=fold(held),
            vessels=self.plan.vessels,
            profile=self.profile(entry.lot),
            facts=self.facts(entry.lot),
            profiles=profile_names(self._settings.cellar.profiles_dir),
            sensors=self.plan.sensors.keys(),
            float_says=self._float_says(entry),
            measures=self.measures,
        )
        found = refusals(entry, cellar)
        if entry.replaces is None and not isinstance(entry.what, BottlesTaken):
            moves_wine = any(isinstance(e.what, Transfer) for e in (entry, *self.entries))
            return found or (
                broken_by(self.entries, [*self.entries, entry], self.measures) if moves_wine else []
            )
        # A start or racking long past is judged by what the whole book says after it, not as if it were new.
        found = [refusal for refusal in found if refusal.reason is not Reason.OCCUPIED]
        return found or broken_by(self.entries, [*self.entries, entry], self.measures)

    def _float_says(self, entry: Entry) -> float | None:
        """Return the gravity by a lot's floats at an entry's instant, or None where they are doubted themselves."""
        facts = self.facts(entry.lot)
        if {"float-frozen", "float-adrift"} & facts.findings.keys():
            return None
        return self.offered(entry.lot, entry.at_ms).gravity

    def write(self, entry: Entry) -> Recorded:
        """Write an entry, and have its lot looked at again.

        Raises:
            RefusedError: by a rule; a reason (``entry.despite``) overrules those that can be.
            WrittenBeforeError: an entry of this id was written before, whatever became of it.
        """
        with self.store.transaction():
            self._read()
            if any(known.id == entry.id for known in self.entries):
                raise WrittenBeforeError
            entry, cautions = self._append(entry)
        return self._recorded(entry, cautions)

    def move_to(self, lot: str, entry: Entry, despite: str | None = None) -> Recorded:
        """Write an entry that is in the wrong lot's book into the right one's; it is undone where it was.

        Raises:
            RefusedError: by a rule of either book; nothing is changed then.
        """
        if isinstance(entry.what, Start | Transfer) or lot == entry.lot:
            why = "it is there" if lot == entry.lot else "it says where wine is: undo it, and write it anew"
            line = f"the {entry.kind} of {entry.lot!r} cannot be moved to {lot!r}: {why}"
            raise RefusedError([wrong(Reason.BAD_VALUE, line)])
        with self.store.transaction():
            self._take_back(entry)
            moved, cautions = self._append(self.entry(lot, entry.at_ms, entry.what, despite or entry.despite))
        return self._recorded(moved, cautions)

    def _append(self, entry: Entry) -> tuple[Entry, tuple[str, ...]]:
        """Judge and append an entry; return it as written, with its cautions."""
        found = self.judge(entry)
        if found and not (entry.despite is not None and overrulable(found)):
            raise RefusedError(found)
        if not found and entry.despite is not None:
            entry = replace(entry, despite=None)
        before = self.history.lots.get(entry.lot)
        self.store.book.append(entry)
        self._read()
        cautions = entry_cautions(entry, before, self.plan.vessels.values())
        return entry, (*cautions, *can_ferment_again(entry, self.history))

    def _recorded(self, entry: Entry, cautions: tuple[str, ...]) -> Recorded:
        sensors = tuple(said_of_sensors(entry, self.history, self.plan.sensors))
        return Recorded(entry, cautions, self._disagreements(entry), self.settle(), sensors)

    def _disagreements(self, entry: Entry) -> tuple[Disagreement, ...]:
        lot, what = self.history.lots.get(entry.lot), entry.what
        if lot is None or not isinstance(what, Measurement) or what.gravity is None:
            return ()
        compared = (
            self.compare(s, lot, entry.at_ms, what.gravity) for s in self.floats_with(lot, entry.at_ms)
        )
        return tuple(found for found in compared if found is not None)

    def undo(self, entry: Entry) -> bool:
        """Take an entry back; its row stays. Returns whether the lot was evaluated here (else the daemon does).

        Raises:
            RefusedError: what came later would no longer make sense.
        """
        with self.store.transaction():
            self._take_back(entry)
        return self.settle()

    def _take_back(self, entry: Entry) -> None:
        self._read()
        after = [replace(e, undone_ms=self.now_ms) if e.id == entry.id else e for e in self.entries]
        broken = broken_by(self.entries, after, self.measures)
        if broken:
            raise RefusedError(broken)
        self.store.book.undo(entry, self.now_ms)
        self._read()

    def take_over(self, entries: Sequence[Entry]) -> News:
        """Write a lot's record or a whole book from another machine, as written there; return what was new of it.

        Its gates were kept (or overruled) when it was written; here it only has to fit into this cellar's book.

        Raises:
            RefusedError: it does not fit; nothing is written.
        """
        with self.store.transaction():
            self._read()
            lots = dict.fromkeys(entry.lot for entry in entries)
            each = [
                news_of([e for e in entries if e.lot == lot], self.entries, self.measures) for lot in lots
            ]
            fresh = {entry.id for of_lot in each for entry in of_lot.fresh}
            news = News(
                tuple(entry for entry in entries if entry.id in fresh),
                tuple(entry for of_lot in each for entry in of_lot.undone),
                tuple(refusal for of_lot in each for refusal in of_lot.refusals),
            )
            refused = news.refusals or broken_by(self.entries, news.applied_to(self.entries), self.measures)
            if refused:
                raise RefusedError(refused)
            for entry in news.fresh:
                self.store.book.append(entry)
            for entry in news.undone:
                self.store.book.undo(entry, entry.undone_ms or self.now_ms)
            self._read()
        self.settle()
        return news

    def settle(self) -> bool:
        """Evaluate what the book has changed, unless a daemon does. Returns whether it was done here."""
        try:
            with Keeper(self.store.path):
                evaluation = Evaluation(self.store, self.plan, self.now_ms)
                evaluation.read_book()
                evaluation.settle(self.now_ms)
                evaluation.advance(self.now_ms)
                evaluation.settle(self.now_ms)
        except AlreadyKeptError:
            self._wake()
            await_the_watch(self.store, self._written_before)
            return False
        return True


def await_the_watch(store: Store, written_before: int) -> None:
    """Wait, within bounds, until the daemon has looked at what was written in the book since a change, its number."""
    written = store.book.changes_after(written_before)
    for _ in range(round(LOOKED_AT_WITHIN_S / LOOK_EVERY_S) if written else 0):
        is_seen = (store.watching.kept_number("book_seq") or 0) >= written[-1].seq
        if is_seen and not {due.lot for due in store.revising.all()} & {c.lot for c in written}:
            return
        time.sleep(LOOK_EVERY_S)
