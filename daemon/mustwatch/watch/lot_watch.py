"""One lot's watch: observations and entries in, estimates, findings and the forecast out, in event time.

The result is a function of the set of observations and entries alone: inside a slot their order does not matter, and
whether a slot was closed by a later observation, by an entry or by the clock's tick makes no difference.
"""

import json
from collections.abc import Callable, Iterable, Sequence
from copy import deepcopy
from dataclasses import InitVar, dataclass, field
from typing import Any, NamedTuple

from mustwatch.cellar.additions import Purpose, purpose_of, volume_added_litres
from mustwatch.cellar.book import Addition, Bottling, Entry, Measurement, Racking, Reanchor, Start, Told
from mustwatch.cellar.facts import Facts
from mustwatch.cellar.history import lot_history
from mustwatch.cellar.parts import litres_after
from mustwatch.cellar.profile import Profile, Stage
from mustwatch.cellar.requirements import Case
from mustwatch.cellar.steps import band_now
from mustwatch.cellar.strength import sugar_lifts
from mustwatch.cellar.told import Parted, WineAdded
from mustwatch.watch.curve import Forecast
from mustwatch.watch.detector import Detector
from mustwatch.watch.enrolled import ENROLLED
from mustwatch.watch.estimate import Estimate
from mustwatch.watch.finding import Figures, FindingKind, Subject, Transition
from mustwatch.watch.gravity_filter import GravityFilter
from mustwatch.watch.hand import HandChecks
from mustwatch.watch.lot_estimator import NEVER, LotEstimator
from mustwatch.watch.memory import TRANSIENT, dumped, recall, version_of
from mustwatch.watch.observation import Observation
from mustwatch.watch.slot_view import SlotView
from mustwatch.watch.slots import SLOT_MS, OpenSlot, slot_start_ms
from mustwatch.watch.thermometer import Thermometer
from mustwatch.watch.whatif import Kept, foresee

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS

FORECAST_EVERY_MS = HOUR_MS
"""How often the forecast is made anew: a racking two days ahead does not move within the hour."""

RACKING_BLANK_MS = 3 * HOUR_MS
"""After a racking a float is not believed for so long: it hung in the air, and then in foam (common practice)."""

RACKING_WARMTH_MS = 2 * HOUR_MS
"""After a racking a float's thermometer shows the air it hung in for so long (common practice)."""

RACKING_STEP = 0.0005
"""Standard error of what a racking does to the gravity a float shows: gas goes, lees stay behind."""

ADDITION_BLANK_MS = HOUR_MS
"""After an addition the wine is given so long to mix (common practice)."""

ADDITION_STEP = 0.003
"""Standard error of what an addition of unknown effect does to gravity."""

SUGAR_STEP_SHARE = 0.15
"""Standard error of what sugar does to gravity, as a share of it: weighed, but mixed and dissolved by hand."""

_new = tuple.__new__
"""Makes a named tuple of values known to be of the right number, at a third of its own maker's cost."""

BY_HAND_MS = 36 * HOUR_MS
"""A lot whose floats have said nothing credible for longer is watched by the hydrometer checks alone."""


class SnapshotOutdatedError(ValueError):
    """The snapshot does not fit what the watch remembers; replay the lot instead."""


class LateArrivalError(ValueError):
    """What was handed in lies before the horizon; rebuild the lot's watch from an earlier snapshot."""


class WatchStep(NamedTuple):
    """What one closed slot led to; ``figures``: what holds now, as kind, sensor (or None) and evidence."""

    estimate: Estimate
    transitions: tuple[Transition, ...]
    forecast: Forecast
    figures: tuple[tuple[FindingKind, str | None, Figures], ...] = ()


def is_night_utc(at_ms: int) -> bool:
    """Return whether an instant lies between 18:00 and 09:00 UTC: the default where no local time is known."""
    return not 9 * HOUR_MS <= at_ms % DAY_MS < 18 * HOUR_MS


@dataclass(slots=True)
class LotWatch:
    """Watches one lot. See the module's text for what its result depends on.

    Attributes:
        lot: the lot. vessel: where it began. started_ms: when, milliseconds since the epoch.
        profile: the limits it is watched by.
        is_night: whether an instant lies in the cellar's night, by the clock on its wall.
        horizon_ms: what came before is concluded from, and part of the snapshot.
    """

    lot: str
    vessel: InitVar[str]
    profile: Profile = field(metadata=TRANSIENT)
    started_ms: InitVar[int]
    is_night: Callable[[int], bool] = field(metadata=TRANSIENT, default=is_night_utc)
    horizon_ms: int = field(init=False)
    _slot: OpenSlot | None = field(metadata=TRANSIENT, init=False, default=None)
    _entries: list[Entry] = field(metadata=TRANSIENT, init=False, default_factory=list)
    _book: list[Entry] = field(metadata=TRANSIENT, init=False, default_factory=list)
    _estimator: LotEstimator = field(init=False)
    _thermometer: Thermometer = field(init=False, default_factory=Thermometer)
    _by_hand: HandChecks = field(init=False, default_factory=HandChecks)
    _view: SlotView = field(init=False)
    _detectors: dict[str, Detector] = field(init=False)
    _forecast_ms: int = field(init=False, default=NEVER)
    _litres: float | None = field(init=False, default=None)
    _estimate: Estimate = field(init=False)

    def __post_init__(self, vessel: str, started_ms: int) -> None:
        self.horizon_ms = slot_start_ms(started_ms)
        self._estimator = LotEstimator(self.profile.settled_hours, self.horizon_ms)
        self._view = SlotView(Subject(self.lot, vessel), self.profile, started_ms, self._estimator)
        self._detectors = {make.__name__: make() for make in ENROLLED}
        self._estimate = Estimate(started_ms, None, None, None, None, None)

    # -- in -----------------------------------------------------------------------------------------------------

    def observe(self, obs: Observation) -> Sequence[WatchStep]:
        """Take one observation in; returns the slots it closed.

        Raises:
            LateArrivalError: it lies before ``horizon_ms``.
        """
        slot = self._slot
        if slot is not None and slot.start_ms <= obs[0] < slot.end_ms:
            slot.take(obs)
            return ()
        steps = self._turn_to(obs[0])
        assert self._slot is not None  # noqa: S101 (_turn_to opens one)
        self._slot.take(obs)
        return steps

    def enter(self, entry: Entry) -> Sequence[WatchStep]:
        """Take one entry of the lot's book in; returns the slots it closed.

        Raises:
            LateArrivalError: it lies before ``horizon_ms``.
        """
        steps = self._turn_to(entry.at_ms)
        if entry not in self._entries:
            self._entries.append(entry)
        return steps

    def advance(self, watermark_ms: int) -> Sequence[WatchStep]:
        """Close the open slot if it ended at or before the watermark. Idempotent."""
        slot = self._slot
        if slot is None or slot.end_ms > watermark_ms:
            return ()
        return (self._close(slot),)

    def _turn_to(self, at_ms: int) -> Sequence[WatchStep]:
        if at_ms < self.horizon_ms:
            raise LateArrivalError(
                f"lot {self.lot}: instant {at_ms} lies before the horizon {self.horizon_ms}; rebuild from there"
            )
        slot = self._slot
        if slot is not None and at_ms < slot.end_ms:
            return ()
        steps = () if slot is None else (self._close(slot),)
        self._slot = OpenSlot(slot_start_ms(at_ms))
        self.horizon_ms = self._slot.start_ms
        return steps

    # -- out ----------------------------------------------------------------------------------------------------

    def estimate(self) -> Estimate:
        """Return the estimate of the last closed slot."""
        return self._estimate

    def forecast(self) -> Forecast:
        """Return the forecast as last made."""
        return self._view.forecast

    def what_if(self, celsius: float | None = None) -> Forecast:
        """Return the forecast as of the last closed slot if from then on the must were so warm (None: as it is)."""
        return self._foresee(self._estimate.at_ms, celsius)

    @property
    def has_entries(self) -> bool:
        """Say whether the open slot holds entries of the book."""
        return bool(self._entries)

    def so_far(self) -> WatchStep | None:
        """Return what the open slot would lead to if nothing came to it; None without one. Changes nothing."""
        if self._slot is None:
            return None
        return deepcopy(self).advance(self._slot.end_ms)[0]

    @property
    def filter(self) -> GravityFilter | None:
        """Return the filter, None before the first gravity (read only)."""
        return self._estimator.filter

    @property
    def stage(self) -> Stage:
        """Return the stage the lot is in."""
        return self._view.stage

    @property
    def temperature_c(self) -> float | None:
        """Return the must's temperature as last observed, °C."""
        return self._thermometer.celsius

    @property
    def day_c(self) -> float | None:
        """Return its mean over about a day, °C."""
        return self._thermometer.day_c

    def open_findings(self) -> tuple[tuple[FindingKind, str | None, int], ...]:
        """Return what holds: kind, sensor (None for the lot) and since when."""
        return tuple(held for detector in self._detectors.values() for held in detector.open_findings())

    # -- a slot closes ------------------------------------------------------------------------------------------

    def _close(self, slot: OpenSlot) -> WatchStep:
        view, estimator, thermometer = self._view, self._estimator, self._thermometer
        end_ms = slot.end_ms
        self._slot = None
        self.horizon_ms = end_ms
        estimator.reanchored = []
        checks = self._apply_entries(end_ms) if self._entries else ()
        parts = slot.by_sensor
        was_c = thermometer.celsius
        celsius = thermometer.fuse(parts, end_ms)
        estimator.advance(end_ms, celsius, 0.0 if celsius is None or was_c is None else celsius - was_c)
        for gravity in checks:
            estimator.check(gravity, end_ms)
            self._by_hand.take(end_ms, gravity)
        for sensor in parts if len(parts) == 1 else sorted(parts):
            part = parts[sensor]
            if part.gravity:
                estimator.hear(sensor, part.gravity, part.gravity_sd, thermometer.celsius, end_ms)
        estimator.conclude(end_ms)
        self._estimate = estimate = self._look(end_ms, celsius)
        transitions: tuple[Transition, ...] = ()
        for detector in self._detectors.values():
            told = detector.judge(view)
            if told:
                transitions += tuple(told)
        if transitions:
            self._set_stage(end_ms)
        figures = tuple(
            (kind, sensor, evidence.figures())
            for detector in self._detectors.values()
            for kind, sensor, evidence in detector.figures(view)
        )
        return _new(WatchStep, (estimate, transitions, view.forecast, figures))

    def _look(self, end_ms: int, celsius: float | None) -> Estimate:
        """Set what the detectors are shown, and return the estimate."""
        view, estimator = self._view, self._estimator
        view.at_ms = end_ms
        view.celsius = celsius
        view.change_per_hour = None if celsius is None else self._thermometer.change_per_hour()
        view.is_night = self.is_night(end_ms - SLOT_MS)
        view.heard = heard = estimator.heard
        kept = estimator.filter
        if kept is None:
            return _new(Estimate, (end_ms, None, None, None, None, self._thermometer.celsius))
        x, p = kept.x, kept.p
        gravity, gravity_sd, rate, rate_sd = x[0], p[0][0] ** 0.5, x[1], p[1][1] ** 0.5
        view.gravity, view.gravity_sd, view.rate, view.rate_sd = gravity, gravity_sd, rate, rate_sd
        if heard:
            is_by_hand = end_ms - estimator.heard_float_ms > BY_HAND_MS
            view.equal_checks_hours = self._by_hand.equal_hours() if is_by_hand else None
            if end_ms - self._forecast_ms >= FORECAST_EVERY_MS:
                self._forecast_ms = end_ms
                view.forecast = self._foresee(end_ms)
        return _new(
            Estimate, (end_ms, gravity, kept.gravity_spread, rate, rate_sd, self._thermometer.celsius)
        )

    def _foresee(self, at_ms: int, celsius: float | None = None) -> Forecast:
        racking = self.profile.racking_gravity if self._view.stage is Stage.PRIMARY else None
        now_c, day_c = self.temperature_c, self.day_c
        kept = None if now_c is None or day_c is None else Kept(now_c, day_c, celsius)
        return foresee(at_ms, self._estimator, racking, kept)

    # -- what people did ------------------------------------------------------------------------------------------

    def _apply_entries(self, end_ms: int) -> Sequence[float]:
        """Apply the slot's entries in the order of what happened; returns the gravities measured."""
        entries = sorted(
            self._entries, key=lambda e: (e.at_ms, not isinstance(e.what, Start), e.recorded_ms, e.id)
        )
        self._entries = []
        checks: list[float] = []
        for entry in entries:
            self._apply(entry)
            what = entry.what
            if isinstance(what, Racking) and what.from_sensors:
                continue  # its gravity is this watch's own estimate, no second witness
            if isinstance(what, Start | Measurement | Racking | Parted) and what.gravity is not None:
                checks.append(what.gravity)
        self._book += entries
        self._set_stage(end_ms)
        return checks

    def _set_stage(self, at_ms: int) -> None:
        """Set stage and band that hold from an instant on: by book and findings, as pages and record tell them too."""
        history = lot_history(self.lot, self._book)
        if history is None:
            return
        found = Facts(findings={kind.name: since_ms for kind, _, since_ms in self.open_findings()})
        if history.parts_at(at_ms) and self._view.subject.vessel not in history.parts_at(at_ms):
            self._view.subject = Subject(self.lot, history.vessel_at(at_ms))
        self._view.stage = history.stage_at(at_ms)
        self._view.band = band_now(self.profile, Case(history, self.profile, found, at_ms))

    def _apply(self, entry: Entry) -> None:
        view, what = self._view, entry.what
        if isinstance(what, Start | Racking) and what.litres is not None:
            self._litres = what.litres
        elif isinstance(what, Told | Bottling):
            self._litres = litres_after(what, self._litres)
        if isinstance(what, Racking):
            view.subject = Subject(self.lot, what.to_vessel)
            view.disturbed_ms = entry.at_ms
            self._estimator.disturb(entry.at_ms, RACKING_BLANK_MS, RACKING_STEP)
            self._thermometer.doubt(self._estimator.floats, entry.at_ms + RACKING_WARMTH_MS)
        elif isinstance(what, Addition):
            self._add(what, entry.at_ms)
        elif isinstance(what, Reanchor):
            self._estimator.reanchor(what.sensor, what.offset, slot_start_ms(entry.at_ms) + SLOT_MS)

    def _add(self, what: Addition, at_ms: int) -> None:
        kept = self._estimator.filter
        step, step_sd = None, 0.0005
        if kept is not None and (what.sugar_g or isinstance(what, WineAdded)):
            step = sugar_lifts(what, self._litres, kept.x[0])
        if step is not None:
            step_sd = SUGAR_STEP_SHARE * abs(step)
        elif what.sugar_g or what.litres is not None:
            step_sd = ADDITION_STEP
        if self._litres is not None:
            self._litres += volume_added_litres(what)
        if step:
            self._estimator.add(step)
        if what.sugar_g or what.litres is not None:
            self._by_hand.begin_anew()
            self._estimator.forget_checks()
        if purpose_of(what) is Purpose.YEAST:
            self._estimator.repitch()
        self._view.add(what, at_ms)
        self._estimator.disturb(at_ms, ADDITION_BLANK_MS, step_sd)

    # -- kept -------------------------------------------------------------------------------------------------------

    def snapshot(self) -> str:
        """Return as JSON of a few kilobytes what is remembered of everything before ``horizon_ms``.

        Nothing after it is part of that: the open slot is read again from the store.
        """
        return dumped({"version": VERSION, "watch": self})

    @classmethod
    def restore(
        cls,
        snapshot: str,
        profile: Profile,
        is_night: Callable[[int], bool] = is_night_utc,
        book: Iterable[Entry] = (),
    ) -> "LotWatch":
        """Return the watch a snapshot described; ``book`` is all that was entered of the lot, in time order.

        Raises:
            SnapshotOutdatedError: it does not fit what this watch remembers.
        """
        kept = cls("", "", profile, 0, is_night)
        try:
            state: dict[str, Any] = json.loads(snapshot)
            if state["version"] == VERSION:
                recall(kept, state["watch"])
                kept._book = [entry for entry in book if entry.at_ms < kept.horizon_ms]
                kept._set_stage(kept.horizon_ms)
                return kept
        except (ValueError, TypeError, LookupError) as error:
            raise SnapshotOutdatedError(f"the snapshot does not fit ({error}); replay the lot") from error
        raise SnapshotOutdatedError(f"snapshot of version {state['version']}, not {VERSION}; replay the lot")


VERSION = version_of(LotWatch, *ENROLLED)
"""Of the snapshot: what is remembered, and by whom. A snapshot of another version is not read."""
