"""Where ``mustwatch calibrate`` finds the book's checks, and keeps a calibration: the store and the configuration."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from statistics import median
from typing import Final

from mustwatch.cellar.book import Measurement
from mustwatch.cellar.history import BEGINNING_MS, END_MS, CellarHistory
from mustwatch.cellar.instant import MINUTE_MS
from mustwatch.cellar.naming import unknown_sensor
from mustwatch.cellar.sensor import Sensor
from mustwatch.cli.calibrate import Check
from mustwatch.cli.opening import opened_store, settings_or_fail
from mustwatch.cli.output import ExitCode, fail
from mustwatch.must.calibration import Point
from mustwatch.store.book import CalibrationPoints
from mustwatch.store.store import Store

AROUND_MS: Final = 30 * MINUTE_MS
"""Readings this long before and after a check are its inclination. At the steepest, a ferment of 0.03 a day falls by
0.0006 in it, less than a hydrometer's division; the median of both sides takes most of that away."""


class StoredCalibrations:
    """The store's side of the command, for one configured float."""

    def __init__(self, store: Store, sensor: Sensor) -> None:
        """Use a store that is open."""
        self._store = store
        self._sensor = sensor

    def checks_for(self, sensor: str) -> Sequence[Check]:
        """Return the checks of every lot the float lay in, with the median inclination around each."""
        history = self._store.book.history()
        found = []
        for lot in history.lots.values():
            for entry in lot.entries:
                what = entry.what
                if not isinstance(what, Measurement) or what.gravity is None:
                    continue
                if history.place(sensor, entry.at_ms).lot != lot.lot:
                    continue
                check = self._beside(sensor, entry.at_ms, what.gravity, what.temperature_c)
                if check is not None:
                    found.append(check)
        return sorted(found)

    def is_calibrated(self, sensor: str) -> bool:
        """Say whether the configuration or the store has a calibration of the float."""
        return bool(self._sensor.calibration or self._store.book.calibrations(sensor))

    def save(self, sensor: str, points: Sequence[Point], from_ms: int | None) -> None:
        """Keep a calibration, and have every lot it touches evaluated again from then on."""
        since_ms = BEGINNING_MS if from_ms is None else from_ms
        affected = lots_since(self._store.book.history(), sensor, since_ms)
        self._store.book.save_calibration(CalibrationPoints(sensor, since_ms, tuple(points)), affected)

    def _beside(self, sensor: str, at_ms: int, gravity: float, sample_c: float | None) -> Check | None:
        around = self._store.readings.between(at_ms - AROUND_MS, at_ms + AROUND_MS + 1, [sensor])
        inclinations = [r.inclination_deg for r in around if r.inclination_deg is not None]
        if not inclinations:
            return None
        temperatures = [r.temperature_c for r in around if r.temperature_c is not None]
        at_c = median(temperatures) + self._sensor.temperature_offset_c if temperatures else sample_c
        return Check(at_ms, median(inclinations), gravity, at_c)


def lots_since(history: CellarHistory, sensor: str, from_ms: int) -> list[str]:
    """Return the lots a sensor's readings belonged to from an instant on."""
    lots: list[str] = []
    at_ms = from_ms
    while at_ms < END_MS:
        placement = history.place(sensor, at_ms)
        if placement.lot is not None and placement.lot not in lots:
            lots.append(placement.lot)
        at_ms = placement.until_ms
    return lots


@contextmanager
def opened_calibration_book(sensor: str) -> Iterator[StoredCalibrations]:
    """Open the store for a float of the configuration, or end the command saying what is missing."""
    settings = settings_or_fail()
    described = next((s.sensor() for s in settings.sensor if s.id == sensor), None)
    if described is None:
        fail(unknown_sensor(sensor, (s.id for s in settings.sensor)), ExitCode.WRONG_INPUT)
    with opened_store(settings, create=True) as store:
        yield StoredCalibrations(store, described)
