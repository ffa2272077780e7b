"""One sensor's watch, whatever lot it is in: its battery, a thermometer that repeats one value, a float in no lot.

A float's gravity is judged in its lot, where it is known whether the wine stands still; in no lot it is only asked
whether it reads a wine.
"""

import json
from collections.abc import Sequence
from dataclasses import dataclass, field

from mustwatch.cellar.history import BEGINNING_MS, END_MS, Placement
from mustwatch.cellar.reading import Reading
from mustwatch.cellar.sensor import Sensor, SensorKind
from mustwatch.watch.finding import Figures, FindingKind, Severity, Subject, Transition
from mustwatch.watch.findings import lot_missing
from mustwatch.watch.findings.battery_low import BatteryLow
from mustwatch.watch.findings.float_frozen import ProbeFrozen
from mustwatch.watch.findings.lot_missing import LotMissing, Said
from mustwatch.watch.memory import TRANSIENT, dumped, recall, version_of

NOWHERE = Placement(None, None, BEGINNING_MS, END_MS)


@dataclass(slots=True)
class SensorWatch:
    """Follows one sensor's readings in the order of ``observed_ms``; earlier ones than the last are ignored.

    Without ``battery_low_v`` a sensor's battery is not judged.
    """

    sensor: Sensor = field(metadata=TRANSIENT)
    _last_ms: int = field(init=False, default=-(2**62))
    _battery: BatteryLow = field(init=False, default_factory=BatteryLow)
    _frozen: ProbeFrozen = field(init=False, default_factory=ProbeFrozen)
    _missing: LotMissing = field(init=False)
    _changed: bool = field(metadata=TRANSIENT, init=False, default=False)

    def __post_init__(self) -> None:
        self._missing = LotMissing(self.sensor.id)

    @property
    def is_probe(self) -> bool:
        """Return whether it is a thermometer alone."""
        return self.sensor.kind is SensorKind.PROBE

    def judges(self, lot: str | None) -> bool:
        """Say whether a reading in a lot (None: in none) can tell anything: else ``pass_by`` does for many at once."""
        return lot is None or self.is_probe or self.sensor.battery_low_v is not None or self._missing.holds

    def hold(self, kind: FindingKind, severity: Severity, since_ms: int, vessel: str | None) -> None:
        """Take over what was found and not ended, where a snapshot that does not fit has left it out."""
        latch = {latch.kind: latch for latch in (self._battery.latch, self._missing.latch)}.get(kind)
        if latch is not None and latch.severity is None:
            latch.severity, latch.since_ms = severity, since_ms
            if latch is self._missing.latch:
                self._missing.place_known(vessel)

    def pass_by(self, last_ms: int) -> None:
        """Note that readings up to an instant came in, of a sensor that is not judged by them."""
        self._last_ms = max(last_ms, self._last_ms)
        self._changed = True

    def observe(
        self, reading: Reading, place: Placement = NOWHERE, said: Said | None = None
    ) -> Sequence[Transition]:
        """Take the next reading in and return what began or ceased.

        ``place`` tells where the book has the sensor; ``said``, what a float in no lot said, corrected.
        """
        vessel, lot = place.vessel, place.lot
        at_ms = reading.observed_ms
        if at_ms < self._last_ms:
            return ()
        self._last_ms = at_ms
        self._changed = True
        told: tuple[Transition, ...] = ()
        subject = Subject(lot, vessel, self.sensor.id)
        if reading.battery_v is not None and self.sensor.battery_low_v is not None:
            told += tuple(self._battery.take(reading.battery_v, self.sensor.battery_low_v, at_ms, subject))
        if reading.temperature_c is not None and self.is_probe:
            told += tuple(self._frozen.take(reading.temperature_c, at_ms, subject))
        if said is not None:
            return (*told, *self._missing.take(said, place))
        return (*told, *self.booked(place)) if self._missing.holds else told

    def booked(self, place: Placement) -> Sequence[Transition]:
        """Take in where the book has the sensor now, and return what ceased by that."""
        return self._missing.booked(place)

    def fresh_figures(self) -> tuple[FindingKind, Subject, int, Figures] | None:
        """Return what is to be said now of a finding that holds: as of when, and the figures of then; once an hour."""
        found = self._missing.fresh_figures()
        if found is None:
            return None
        at_ms, vessel, evidence = found
        return lot_missing.KIND, Subject(None, vessel, self.sensor.id), at_ms, evidence.figures()

    def open_findings(self) -> tuple[tuple[FindingKind, int], ...]:
        """Return what holds and since when."""
        latches = (self._battery.latch, self._frozen.latch, self._missing.latch)
        return tuple((latch.kind, latch.since_ms) for latch in latches if latch.severity is not None)

    def snapshot_if_changed(self) -> str | None:
        """Return the snapshot if a reading came in since the last one taken this way, else None."""
        if not self._changed:
            return None
        self._changed = False
        return self.snapshot()

    def snapshot(self) -> str:
        """Return everything remembered as JSON."""
        return dumped([VERSION, self])

    @classmethod
    def restore(cls, snapshot: str, sensor: Sensor) -> "SensorWatch":
        """Return the watch a snapshot described; of one that does not fit, a new one: it soon knows as much."""
        kept = cls(sensor)
        try:
            version, *state = json.loads(snapshot)
            if version == VERSION:
                recall(kept, *state)
                return kept
        except (ValueError, TypeError, LookupError):
            pass
        return cls(sensor)


VERSION = version_of(SensorWatch)
"""Of the snapshot: what is remembered."""
