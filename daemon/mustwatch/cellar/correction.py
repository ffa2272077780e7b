"""From what a sensor said to gravity 20/20: calibration, temperature and re-anchoring of that instant."""

from bisect import bisect_right
from collections.abc import Sequence
from typing import NamedTuple

from mustwatch.cellar.instant import MINUTE_MS
from mustwatch.cellar.reading import GRAVITY_RANGE, Reading
from mustwatch.cellar.sensor import Sensor
from mustwatch.must.calibration import Calibration
from mustwatch.must.density import READING_HIGH, READING_LOW, gravity_20_from_reading

TEMPERATURE_HOLDS_MS = 30 * MINUTE_MS
"""A float that sends gravity and temperature on separate topics: how long its last temperature
serves. Own choice: a carboy changes by a few tenths of a degree in it, 0.00005 of gravity."""
WATER_RANGE_C = (0.0, 45.0)
"""A must outside of this is not fermenting; the correction is held at its nearest bound."""


_new = tuple.__new__
FACTORS_KEPT = 4_096
"""Temperatures whose correction is remembered per make of sensor: a hundredth of a degree apart, any cellar's."""

_factors: dict[tuple[float, float], dict[float, float]] = {}
"""By the temperature of a scale and the expansion of its float: what each temperature multiplies a gravity by. Sensors
of one make share it, and a cellar says the same few hundred temperatures all year."""

GRAVITY_LOW, GRAVITY_HIGH = GRAVITY_RANGE


class Corrected(NamedTuple):
    """Gravity 20/20 with its standard error if the calibration states one, and temperature in °C."""

    gravity: float | None
    gravity_sd: float | None
    temperature_c: float | None


class Corrector:
    """Corrects one sensor's readings, given in time order.

    Args:
        sensor: as configured.
        calibrations: (from when, calibration), rising; the configured one from the beginning.
        offsets: (from when, offset of gravity), rising: the re-anchorings of the book.
    """

    def __init__(
        self,
        sensor: Sensor,
        calibrations: Sequence[tuple[int, Calibration]] = (),
        offsets: Sequence[tuple[int, float]] = (),
    ) -> None:
        """Set up for one sensor."""
        self._sensor = sensor
        self._is_compensated = sensor.compensated
        self._gravity_sd = sensor.gravity_sd
        self._offset_c = sensor.temperature_offset_c
        self._calibrations = tuple(calibrations)
        self._offsets = tuple(offsets)
        self._temperature: tuple[int, float] | None = None
        self._factors = _factors.setdefault((sensor.calibrated_at_c, sensor.expansion_per_k), {})

    def go_on_from(self, other: "Corrector") -> None:
        """Take over the temperature that another corrector of the same sensor heard last."""
        self._temperature = other._temperature

    def correct(self, reading: Reading) -> Corrected:
        """Return the reading's gravity at 20/20 °C and its temperature.

        A float's gravity without any temperature is taken as it is; one that no wine can have (a float in
        the air, an inclination far beyond the calibration) is none.
        """
        _, observed_ms, _, shown, _, temperature_c, _, _, _ = reading
        if temperature_c is not None:
            temperature_c += self._offset_c
            self._temperature = (observed_ms, temperature_c)
        sd = self._gravity_sd
        if self._calibrations:
            shown, sd = self._calibrated(reading)
        if shown is None:
            return Corrected(None, None, temperature_c)
        if not self._is_compensated:
            at_c = temperature_c if temperature_c is not None else self._held(observed_ms)
            if at_c is not None:
                if not READING_LOW < shown < READING_HIGH:
                    return Corrected(None, None, temperature_c)
                shown *= self._factors.get(at_c) or self._factor(at_c)
        if self._offsets:
            shown += self._offset(observed_ms)
        if not GRAVITY_LOW <= shown <= GRAVITY_HIGH:
            return Corrected(None, None, temperature_c)
        return _new(Corrected, (shown, sd, temperature_c))

    def _factor(self, at_c: float) -> float:
        """Return what a gravity shown at a temperature is multiplied by, and remember it."""
        low, high = WATER_RANGE_C
        factor = gravity_20_from_reading(
            1.0,
            min(max(at_c, low), high),
            calibrated_at_c=self._sensor.calibrated_at_c,
            expansion_per_k=self._sensor.expansion_per_k,
        )
        if len(self._factors) >= FACTORS_KEPT:
            self._factors.clear()
        self._factors[at_c] = factor
        return factor

    def _calibrated(self, reading: Reading) -> tuple[float | None, float | None]:
        """Return the gravity the float shows by its calibration, and its standard error if known."""
        if reading.inclination_deg is not None:
            position = bisect_right(self._calibrations, reading.observed_ms, key=lambda c: c[0]) - 1
            if position >= 0:
                return self._calibrations[position][1].gravity(reading.inclination_deg)
        return reading.gravity, self._gravity_sd

    def _held(self, at_ms: int) -> float | None:
        if self._temperature is None or not 0 <= at_ms - self._temperature[0] <= TEMPERATURE_HOLDS_MS:
            return None
        return self._temperature[1]

    def _offset(self, at_ms: int) -> float:
        """Return the offset that holds: one older than the calibration in use belonged to the curve before it."""
        position = bisect_right(self._offsets, at_ms, key=lambda o: o[0]) - 1
        if position < 0:
            return 0.0
        of_curve = bisect_right(self._calibrations, at_ms, key=lambda c: c[0]) - 1
        if of_curve >= 0 and self._offsets[position][0] < self._calibrations[of_curve][0]:
            return 0.0
        return self._offsets[position][1]
