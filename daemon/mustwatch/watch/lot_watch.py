"""One lot's watch: observations and entries in, estimates, findings and the forecast out, in event time.

The result is a function of the set of observations and entries alone: inside a slot their order does not matter, and
whether a slot was closed by a later observation, by an entry or by the clock's tick makes no difference.
"""

import json
from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

from mustwatch.cellar.book import (
    Addition,
    Bottling,
    Entry,
    Measurement,
    Racking,
    Reanchor,
    StageChange,
    Start,
)
from mustwatch.cellar.entry_json import entry_from_json, entry_to_json
from mustwatch.cellar.facts import HYDROMETER_SD
from mustwatch.cellar.history import stage_after
from mustwatch.cellar.profile import Profile, Stage
from mustwatch.watch.curve import Curve, Forecast
from mustwatch.watch.detectors import ENROLLED, Detector, SlotView
from mustwatch.watch.detectors.slot_view import NEVER
from mustwatch.watch.estimate import Estimate, Expected
from mustwatch.watch.finding import FindingKind, Subject, Transition
from mustwatch.watch.float_track import FloatTrack
from mustwatch.watch.gravity_filter import REFERENCE_C, GravityFilter
from mustwatch.watch.observation import Observation
from mustwatch.watch.slots import OpenSlot, SensorSlot, slot_start_ms
from mustwatch.watch.thermometer import Thermometer

VERSION = 1
"""Of the snapshot. A snapshot of another version is not read: the caller replays the lot."""

DAY_MS = 86_400_000
HOUR_MS = 3_600_000

FORECAST_EVERY_MS = HOUR_MS
"""How often the forecast is made anew: a racking two days ahead does not move within the hour."""

RACKING_BLANK_MS = 3 * HOUR_MS
"""After a racking a float is not believed for so long: it hung in the air, and then in foam (common practice)."""

ADDITION_BLANK_MS = HOUR_MS
"""After an addition the wine is given so long to mix (common practice)."""

ADDITION_STEP = 0.003
"""Standard error of what an addition of unknown size does to gravity."""

SUGAR_GRAVITY = 0.000384
"""Gravity per g/L of sugar. Source: slope of the ICUMSA density of sucrose near 22 °Bx (references)."""

ONSET_FALL = 0.004
"""Fermentation has begun when gravity has fallen by this much, clearly."""

RELIED_ON_FLOAT_MS = 36 * HOUR_MS
"""A lot whose floats have been quiet for longer is watched by the hydrometer checks alone."""

FIRST_GRAVITY_SD = 0.003


class SnapshotOutdatedError(ValueError):
    """The snapshot was written by another version of the watch; replay the lot instead."""


class LateArrivalError(ValueError):
    """What was handed in lies before the horizon; rebuild the lot's watch from an earlier snapshot."""


class WatchStep(NamedTuple):
    """What one closed slot led to."""

    estimate: Estimate
    transitions: tuple[Transition, ...]
    forecast: Forecast


def utc(_at_ms: int) -> int:
    """Return the offset of UTC from UTC: no local time is known."""
    return 0


class LotWatch:
    """Watches one lot. See the module's text for what its result depends on."""

    __slots__ = (
        "_curve",
        "_detectors",
        "_entries",
        "_estimate",
        "_filter",
        "_floats",
        "_forecast",
        "_forecast_ms",
        "_heard_float_ms",
        "_litres",
        "_local_offset_ms",
        "_quiet_since_ms",
        "_slot",
        "_thermometer",
        "_through_ms",
        "_view",
        "horizon_ms",
        "lot",
        "profile",
    )

    def __init__(
        self,
        lot: str,
        vessel: str,
        profile: Profile,
        started_ms: int,
        local_offset_ms: Callable[[int], int] = utc,
    ) -> None:
        """Begin to watch a lot.

        Args:
            lot: the lot; ``vessel``: where it began.
            profile: the limits it is watched by.
            started_ms: when it began, milliseconds since the epoch.
            local_offset_ms: the cellar's offset from UTC at an instant, milliseconds (for what a night is).
        """
        self.lot = lot
        self.profile = profile
        self.horizon_ms = slot_start_ms(started_ms)
        self._local_offset_ms = local_offset_ms
        self._slot: OpenSlot | None = None
        self._entries: list[Entry] = []
        self._filter: GravityFilter | None = None
        self._through_ms = self.horizon_ms
        self._floats: dict[str, FloatTrack] = {}
        self._thermometer = Thermometer()
        self._curve = Curve()
        self._view = SlotView(Subject(lot, vessel), profile, started_ms)
        self._detectors: list[Detector] = [make() for make in ENROLLED]
        self._forecast = Forecast()
        self._forecast_ms = NEVER
        self._quiet_since_ms = NEVER
        self._heard_float_ms = NEVER
        self._litres: float | None = None
        self._estimate = Estimate(started_ms, None, None, None, None, None)

    # -- in -----------------------------------------------------------------------------------------------------

    def observe(self, obs: Observation) -> Sequence[WatchStep]:
        """Take one observation in; returns the slots it closed.

        Raises:
            LateArrivalError: it lies before ``horizon_ms``.
        """
        slot = self._slot
        if slot is not None and slot.start_ms <= obs.at_ms < slot.end_ms:
            slot.take(obs)
            return ()
        steps = self._turn_to(obs.at_ms)
        assert self._slot is not None  # noqa: S101 (_turn_to opens one)
        self._slot.take(obs)
        return steps

    def enter(self, entry: Entry) -> Sequence[WatchStep]:
        """Take one entry of the lot's book in; returns the slots it closed.

        Raises:
            LateArrivalError: it lies before ``horizon_ms``.
        """
        steps = self._turn_to(entry.at_ms)
        if all(known.id != entry.id for known in self._entries):
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
        if slot is not None and at_ms < slot.start_ms:
            # An empty stretch lies between the horizon and the open slot, and this falls into it.
            raise LateArrivalError(
                f"lot {self.lot}: instant {at_ms} lies before the open slot {slot.start_ms}; rebuild from there"
            )
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
        return self._forecast

    @property
    def stage(self) -> Stage:
        """Return the stage the lot is in."""
        return self._view.stage

    @property
    def temperature_c(self) -> float | None:
        """Return the must's temperature as last observed, °C."""
        return self._thermometer.celsius

    def open_findings(self) -> tuple[tuple[FindingKind, str | None, int], ...]:
        """Return what holds: kind, sensor (None for the lot) and since when."""
        return tuple(held for detector in self._detectors for held in detector.open_findings())

    # -- a slot closes ------------------------------------------------------------------------------------------

    def _close(self, slot: OpenSlot) -> WatchStep:
        view = self._view
        end_ms = slot.end_ms
        self._slot = None
        self.horizon_ms = end_ms
        checks = self._apply_entries(end_ms) if self._entries else ()
        view.at_ms = end_ms
        parts = slot.by_sensor
        view.celsius = self._thermometer.take(parts, end_ms)
        view.change_per_hour = self._thermometer.change_per_hour(end_ms)
        view.local_minute = (end_ms + self._local_offset_ms(end_ms)) // 60_000 % 1440
        view.heard = False
        self._advance_filter(end_ms)
        for sensor in parts if len(parts) == 1 else sorted(parts):
            if parts[sensor].gravity:
                self._hear(sensor, parts[sensor], end_ms)
        if view.checks:
            view.checks = {}
        for gravity in checks:
            self._check(gravity)
        estimate = self._conclude(end_ms)
        if view.heard and end_ms - self._forecast_ms >= FORECAST_EVERY_MS:
            self._foresee(end_ms)
        transitions: tuple[Transition, ...] = ()
        for detector in self._detectors:
            told = detector.step(view)
            if told:
                transitions += tuple(told)
        return WatchStep(estimate, transitions, self._forecast)

    def _advance_filter(self, end_ms: int) -> None:
        kept = self._filter
        if kept is not None and end_ms > self._through_ms:
            kept.predict((end_ms - self._through_ms) / DAY_MS)
        self._through_ms = end_ms

    def _hear(self, sensor: str, part: SensorSlot, end_ms: int) -> None:
        readings = part.gravity
        if len(readings) > 1:
            readings.sort(key=_instant_first)
        kept = self._filter
        if kept is None:
            middle = sorted(value for value, _ in readings)[len(readings) // 2]
            kept = self._filter = GravityFilter(middle, FIRST_GRAVITY_SD)
        track = self._floats.get(sensor)
        if track is None:
            track = self._floats[sensor] = FloatTrack(kept.add_float(sensor))
            self._view.floats = self._floats
        alive = track.constancy
        for value, at_ms in readings:
            alive.take(value, at_ms)
        if end_ms <= track.blank_until_ms or alive.is_frozen or alive.is_suspect(end_ms):
            return
        celsius = self._thermometer.celsius
        warmer = 0.0 if celsius is None else celsius - REFERENCE_C
        mean, var = kept.expect(track.index, warmer)
        residual, noise = track.weigh(readings, mean, var, kept.x[1] / DAY_MS, end_ms)
        kept.update_float(track.index, warmer, residual, noise)
        track.heard_ms = end_ms
        self._heard_float_ms = end_ms
        self._view.heard = True

    def _check(self, gravity: float) -> None:
        kept = self._filter
        if kept is None:
            self._filter = GravityFilter(gravity, HYDROMETER_SD)
        else:
            for sensor, track in self._floats.items():
                apart = kept.x[0] + kept.x[track.index] - gravity
                sd = (kept.p[track.index][track.index] + HYDROMETER_SD**2) ** 0.5
                self._view.checks[sensor] = (apart, sd, gravity)
            kept.update_gravity(gravity, HYDROMETER_SD**2)
        self._view.heard = True

    def _conclude(self, end_ms: int) -> Estimate:
        view, kept = self._view, self._filter
        celsius = self._thermometer.celsius
        if kept is None:
            self._estimate = estimate = Estimate(end_ms, None, None, None, None, celsius)
            return estimate
        gravity, rate, _ = kept.x[:3]
        gravity_sd, rate_sd = kept.p[0][0] ** 0.5, kept.p[1][1] ** 0.5
        view.gravity, view.gravity_sd, view.rate, view.rate_sd = gravity, gravity_sd, rate, rate_sd
        if view.first_gravity is None or (view.onset_ms == NEVER and gravity > view.first_gravity):
            view.first_gravity = self._curve.first = gravity
        if view.heard:
            if view.onset_ms == NEVER and view.first_gravity - gravity > ONSET_FALL + gravity_sd:
                view.onset_ms = end_ms
            if rate < view.lowest_rate:
                view.lowest_rate = rate
            self._settle(end_ms)
        self._estimate = estimate = Estimate(end_ms, gravity, gravity_sd, rate, rate_sd, celsius)
        return estimate

    def _settle(self, end_ms: int) -> None:
        view = self._view
        limit = 0.0016 * 24.0 / view.profile.settled_hours
        if abs(view.rate) + view.rate_sd > limit:
            self._quiet_since_ms = NEVER
            view.quiet_hours = 0.0
        else:
            if self._quiet_since_ms == NEVER:
                self._quiet_since_ms = end_ms
            view.quiet_hours = (end_ms - self._quiet_since_ms) / HOUR_MS
        view.end_gravity = self._curve.end()
        view.end_sd = 0.0025
        view.remaining = max(0.0, -view.rate + 1.645 * view.rate_sd) / 0.35

    def _foresee(self, end_ms: int) -> None:
        view, curve = self._view, self._curve
        self._forecast_ms = end_ms
        if view.gravity is None or view.onset_ms == NEVER or view.quiet_hours > 0.0:
            self._forecast = Forecast()
        else:
            at = (end_ms, view.gravity, view.rate, view.rate_sd)
            rack = curve.reach(*at, view.profile.racking_gravity) if view.stage is Stage.PRIMARY else None
            self._forecast = Forecast(rack, curve.settle(*at))
        view.rack, view.finish = self._forecast

    # -- what people did ------------------------------------------------------------------------------------------

    def _apply_entries(self, end_ms: int) -> Sequence[float]:
        entries = sorted(
            self._entries, key=lambda e: (e.at_ms, not isinstance(e.what, Start), e.recorded_ms, e.id)
        )
        self._entries = []
        checks: list[float] = []
        for entry in entries:
            self._apply(entry)
            what = entry.what
            if isinstance(what, Start | Measurement | Racking) and what.gravity is not None:
                checks.append(what.gravity)
        return checks

    def _apply(self, entry: Entry) -> None:
        view, what, kept = self._view, entry.what, self._filter
        stage = stage_after(view.stage, entry)
        if stage is not view.stage:
            view.stage = stage
            view.band = self.profile.band_in(stage)
        if isinstance(what, Start | Racking) and what.litres is not None:
            self._litres = what.litres
        if isinstance(what, Racking):
            view.subject = Subject(self.lot, what.to_vessel)
            self._disturb(entry.at_ms, RACKING_BLANK_MS, 0.0005)
        elif isinstance(what, Addition):
            self._add(what, entry.at_ms)
        elif isinstance(what, Reanchor):
            track = self._floats.get(what.sensor)
            if track is not None and kept is not None:
                kept.x[track.index] += what.offset - track.anchored
                track.anchored = what.offset
                track.blank_until_ms = max(track.blank_until_ms, slot_start_ms(entry.at_ms) + 15 * 60_000)
        elif isinstance(what, StageChange | Bottling):
            self._quiet_since_ms = self._quiet_since_ms

    def _add(self, what: Addition, at_ms: int) -> None:
        step = 0.0
        if what.sugar_g and self._litres:
            step = SUGAR_GRAVITY * what.sugar_g / self._litres
        if what.litres is not None and self._litres is not None:
            self._litres += what.litres
        kept = self._filter
        if kept is not None:
            kept.x[0] += step
        if self._curve.first is not None:
            self._curve.first += step
            self._view.first_gravity = self._curve.first
        self._disturb(
            at_ms, ADDITION_BLANK_MS, max(ADDITION_STEP, 0.5 * step) if step or what.litres else 0.0005
        )

    def _disturb(self, at_ms: int, blank_ms: int, gravity_sd: float) -> None:
        self._view.disturbed_ms = at_ms
        if self._filter is not None:
            self._filter.widen(0, gravity_sd**2)
        for track in self._floats.values():
            track.blank_until_ms = max(track.blank_until_ms, at_ms + blank_ms)

    # -- kept -------------------------------------------------------------------------------------------------------

    def snapshot(self) -> str:
        """Return everything the watch remembers as JSON of a few kilobytes."""
        return self._snapshot(self._slot, self._entries)

    def snapshot_at_horizon(self) -> str:
        """Return what the watch remembers of everything before ``horizon_ms``, and of nothing after it."""
        return self._snapshot(None, [])

    def _snapshot(self, slot: OpenSlot | None, entries: Sequence[Entry]) -> str:
        view = self._view
        return json.dumps(
            {
                "version": VERSION,
                "lot": self.lot,
                "vessel": view.subject.vessel,
                "started_ms": view.started_ms,
                "horizon_ms": self.horizon_ms,
                "through_ms": self._through_ms,
                "slot": None if slot is None else slot.snapshot(),
                "entries": [entry_to_json(entry) for entry in entries],
                "filter": None if self._filter is None else self._filter.snapshot(),
                "floats": {sensor: track.snapshot() for sensor, track in self._floats.items()},
                "thermometer": self._thermometer.snapshot(),
                "curve": self._curve.snapshot(),
                "view": {name: getattr(view, name) for name in _VIEW_KEPT},
                "stage": view.stage.value,
                "detectors": [detector.snapshot() for detector in self._detectors],
                "forecast": self._forecast,
                "kept": [self._forecast_ms, self._quiet_since_ms, self._heard_float_ms, self._litres],
                "estimate": self._estimate,
            },
            separators=(",", ":"),
        )

    @classmethod
    def restore(
        cls, snapshot: str, profile: Profile, local_offset_ms: Callable[[int], int] = utc
    ) -> "LotWatch":
        """Return the watch a snapshot described.

        Raises:
            SnapshotOutdatedError: it was written by another version.
        """
        state: dict[str, Any] = json.loads(snapshot)
        if state.get("version") != VERSION:
            raise SnapshotOutdatedError(
                f"snapshot of version {state.get('version')}, expected {VERSION}; replay the lot"
            )
        kept = cls(state["lot"], state["vessel"], profile, state["started_ms"], local_offset_ms)
        kept.horizon_ms, kept._through_ms = state["horizon_ms"], state["through_ms"]
        kept._slot = None if state["slot"] is None else OpenSlot.restore(state["slot"])
        kept._entries = [entry_from_json(entry) for entry in state["entries"]]
        kept._filter = None if state["filter"] is None else GravityFilter.restore(state["filter"])
        kept._floats = {sensor: FloatTrack.restore(of) for sensor, of in state["floats"].items()}
        kept._thermometer.load(state["thermometer"])
        kept._curve.load(state["curve"])
        view = kept._view
        for name in _VIEW_KEPT:
            setattr(view, name, state["view"][name])
        view.stage = Stage(state["stage"])
        view.band = profile.band_in(view.stage)
        view.floats = kept._floats
        for detector, of in zip(kept._detectors, state["detectors"], strict=True):
            detector.load(of)
        rack, finish = state["forecast"]
        kept._forecast = Forecast(_expected(rack), _expected(finish))
        view.rack, view.finish = kept._forecast
        kept._forecast_ms, kept._quiet_since_ms, kept._heard_float_ms, kept._litres = state["kept"]
        kept._estimate = Estimate(*state["estimate"])
        return kept


_VIEW_KEPT = (
    "gravity",
    "gravity_sd",
    "rate",
    "rate_sd",
    "first_gravity",
    "lowest_rate",
    "onset_ms",
    "end_gravity",
    "end_sd",
    "remaining",
    "quiet_hours",
    "disturbed_ms",
)


def _instant_first(said: tuple[float, int]) -> tuple[int, float]:
    return said[1], said[0]


def _expected(of: list[int] | None) -> Expected | None:
    return None if of is None else Expected(*of)
