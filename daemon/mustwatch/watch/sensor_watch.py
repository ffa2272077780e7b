"""One sensor's watch, whatever lot it is in: its battery, and a thermometer that repeats one value.

A float's gravity is judged in its lot (``detectors.floats``), where it is known whether the wine stands still.
"""

import json
from collections.abc import Sequence
from typing import Any

from mustwatch.cellar.reading import Reading
from mustwatch.cellar.sensor import Sensor, SensorKind
from mustwatch.watch.constancy import FEWEST, Constancy
from mustwatch.watch.detectors.detector import Latch
from mustwatch.watch.finding import FindingKind, Severity, Subject, Transition

VERSION = 1

LOW_READINGS = 3
"""Readings in a row under the limit before the battery counts as low: a transmission pulls the voltage down."""

RECOVERED_V = 0.15
"""A battery was changed or charged when it stands this far above the limit, as often in a row (common practice)."""

HOUR_MS = 3_600_000


class SensorWatch:
    """Follows one sensor's readings in the order of ``observed_ms``; earlier ones than the last are ignored."""

    __slots__ = (
        "_alive",
        "_battery",
        "_battery_low_v",
        "_changed",
        "_frozen",
        "_high",
        "_is_probe",
        "_last_ms",
        "_low",
        "sensor_id",
    )

    def __init__(self, sensor: Sensor) -> None:
        """Begin to watch a sensor; without ``battery_low_v`` its battery is not judged."""
        self.sensor_id = sensor.id
        self._is_probe = sensor.kind is SensorKind.PROBE
        self._battery_low_v = sensor.battery_low_v
        self._last_ms = -(2**62)
        self._low = 0
        self._high = 0
        self._battery = Latch(FindingKind.BATTERY_LOW)
        self._frozen = Latch(FindingKind.FLOAT_FROZEN)
        self._alive = Constancy()
        self._changed = False

    @property
    def judges(self) -> bool:
        """Say whether a reading can tell anything: else ``pass_by`` does for many what ``observe`` does for each."""
        return self._is_probe or self._battery_low_v is not None

    def pass_by(self, last_ms: int) -> None:
        """Note that readings up to an instant came in, of a sensor that is not judged by them."""
        self._last_ms = max(last_ms, self._last_ms)
        self._changed = True

    def observe(
        self, reading: Reading, vessel: str | None = None, lot: str | None = None
    ) -> Sequence[Transition]:
        """Take the next reading in and return what began or ceased; ``vessel`` and ``lot`` only tell where it is."""
        at_ms = reading.observed_ms
        if at_ms < self._last_ms:
            return ()
        self._last_ms = at_ms
        self._changed = True
        told: Sequence[Transition] = ()
        if reading.battery_v is not None and self._battery_low_v is not None:
            told = self._judge_battery(
                reading.battery_v, self._battery_low_v, Subject(lot, vessel, self.sensor_id), at_ms
            )
        if reading.temperature_c is not None and self._is_probe:
            self._alive.take(reading.temperature_c, at_ms)
            if self._alive.is_frozen != (self._frozen.severity is not None):
                told = (*told, *self._judge_frozen(Subject(lot, vessel, self.sensor_id), at_ms))
        return told

    def _judge_battery(
        self, volts: float, limit: float, subject: Subject, at_ms: int
    ) -> Sequence[Transition]:
        evidence = {"battery_v": round(volts, 3), "limit_v": limit}
        self._low = self._low + 1 if volts < limit else 0
        self._high = self._high + 1 if volts >= limit + RECOVERED_V else 0
        if self._low >= LOW_READINGS:
            return self._battery.set(at_ms, subject, Severity.NOTICE, evidence)
        if self._high >= LOW_READINGS:
            return self._battery.clear(at_ms, subject, evidence)
        return ()

    def _judge_frozen(self, subject: Subject, at_ms: int) -> Sequence[Transition]:
        alive = self._alive
        if alive.is_frozen and alive.count > FEWEST:
            # Dated when the run became too long, not when it was heard: whichever reading shows it, if one comes late.
            at_ms = alive.since_ms + alive.patience_ms()
        evidence = {
            "celsius": alive.value,
            "hours_constant": round((at_ms - alive.since_ms) / HOUR_MS, 1),
            "readings_constant": alive.count,
        }
        if alive.is_frozen:
            return self._frozen.set(at_ms, subject, Severity.WARNING, evidence)
        return self._frozen.clear(at_ms, subject, evidence)

    def open_findings(self) -> tuple[tuple[FindingKind, int], ...]:
        """Return what holds and since when."""
        return tuple(
            (latch.kind, latch.since_ms)
            for latch in (self._battery, self._frozen)
            if latch.severity is not None
        )

    def snapshot_if_changed(self) -> str | None:
        """Return the snapshot if a reading came in since the last one taken this way, else None."""
        if not self._changed:
            return None
        self._changed = False
        return self.snapshot()

    def snapshot(self) -> str:
        """Return everything remembered as JSON."""
        state: list[Any] = [
            VERSION,
            self._last_ms,
            self._low,
            self._high,
            self._battery.snapshot(),
            self._frozen.snapshot(),
            self._alive.snapshot(),
        ]
        return json.dumps(state, separators=(",", ":"))

    @classmethod
    def restore(cls, snapshot: str, sensor: Sensor) -> "SensorWatch":
        """Return the watch a snapshot described; of another version, a new one: it soon knows as much."""
        kept = cls(sensor)
        state: list[Any] = json.loads(snapshot)
        if state[0] != VERSION:
            return kept
        _, kept._last_ms, kept._low, kept._high, battery, frozen, alive = state
        kept._battery.load(battery)
        kept._frozen.load(frozen)
        kept._alive.load(alive)
        return kept
