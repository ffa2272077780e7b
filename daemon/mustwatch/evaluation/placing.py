"""A reading's second and third step: placed from sensor to vessel to lot, and corrected to gravity 20/20."""

import logging

from mustwatch.cellar.correction import Corrector
from mustwatch.cellar.history import BEGINNING_MS, END_MS, CellarHistory, Placement
from mustwatch.cellar.reading import Reading
from mustwatch.cellar.sensor import Sensor, SensorKind
from mustwatch.config.plan import CellarPlan
from mustwatch.must.calibration import Calibration, CalibrationError, fit
from mustwatch.store.store import Store
from mustwatch.watch.observation import Observation

log = logging.getLogger(__name__)

_new = tuple.__new__
"""Makes a named tuple of values known to be of the right number, at a third of its own maker's cost."""


class Placer:
    """Places and corrects readings by the book and configuration as they stood when this was made."""

    def __init__(self, store: Store, plan: CellarPlan, history: CellarHistory | None = None) -> None:
        """Read the book, unless what it says is given."""
        self._store = store
        self._plan = plan
        self.history: CellarHistory = store.book.history() if history is None else history
        self._placements: dict[str, Placement] = {}
        self._correctors: dict[str, Corrector] = {}

    def apart(self) -> "Placer":
        """Return another of the same book, for readings of another time: a corrector wants its own in order."""
        return Placer(self._store, self._plan, self.history)

    def go_on_from(self, other: "Placer", lot: str | None = None) -> None:
        """Take over what temperatures were said last, by all sensors or by those that are with a lot now."""
        for sensor, corrector in other._correctors.items():
            if lot is None or self.history.place(sensor, END_MS - 1).lot == lot:
                self.corrector(sensor).go_on_from(corrector)

    def place(self, sensor: str, at_ms: int) -> Placement:
        """Return where a sensor's statement of an instant belongs; from memory while the last answer holds."""
        placement = self._placements.get(sensor)
        if placement is None or not placement[2] <= at_ms < placement[3]:
            placement = self._placements[sensor] = self.history.place(sensor, at_ms)
        return placement

    def observation(self, reading: Reading, vessel: str) -> Observation:
        """Return a reading as the watch is fed it."""
        return observed(reading, vessel, self.corrector(reading[0]))

    def corrector(self, sensor_id: str) -> Corrector:
        """Return what corrects a sensor's readings, one after the other."""
        corrector = self._correctors.get(sensor_id)
        if corrector is None:
            corrector = self._correctors[sensor_id] = self._corrector(sensor_id)
        return corrector

    def _corrector(self, sensor_id: str) -> Corrector:
        # A sensor no longer configured is still part of a lot's past; what it said is taken as it was.
        sensor = self._plan.sensors.get(sensor_id) or Sensor(sensor_id, SensorKind.FLOAT, decoder="")
        given = [(BEGINNING_MS, sensor.calibration)] if sensor.calibration else []
        given += [(c.from_ms, c.points) for c in self._store.book.calibrations(sensor_id)]
        calibrations: list[tuple[int, Calibration]] = []
        for from_ms, points in given:
            try:
                calibrations.append((from_ms, fit(points)))
            except CalibrationError as error:
                log.warning("calibration left out sensor=%s: %s", sensor_id, error)
        return Corrector(sensor, calibrations, self.history.offsets.get(sensor_id, ()))


def observed(reading: Reading, vessel: str, corrector: Corrector) -> Observation:
    """Return a reading as the watch is fed it, corrected."""
    gravity, gravity_sd, temperature_c = corrector.correct(reading)
    shown = reading[3]
    said = shown if shown is not None else reading[4]
    return _new(Observation, (reading[1], reading[0], vessel, gravity, gravity_sd, temperature_c, said))
