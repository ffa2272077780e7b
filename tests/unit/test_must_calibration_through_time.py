"""Which calibration and which re-anchoring a float's reading gets: those of its own instant."""

import pytest

from mustwatch.cellar.correction import Corrector
from mustwatch.cellar.reading import Reading
from mustwatch.cellar.sensor import Sensor, SensorKind
from mustwatch.must.calibration import fit

FLOAT = Sensor("float-1", SensorKind.FLOAT, decoder="json")
OLD = fit([(20.0, 1.000), (60.0, 1.080)])
NEW = fit([(20.0, 1.000), (60.0, 1.100)])


def corrected(corrector, at_ms, inclination_deg=60.0):
    reading = Reading("float-1", at_ms, at_ms, inclination_deg=inclination_deg, temperature_c=20.0)
    return corrector.correct(reading).gravity


def test_readings_before_a_calibration_keep_the_old_one():
    corrector = Corrector(FLOAT, calibrations=[(0, OLD), (1000, NEW)])

    assert corrected(corrector, 999) == pytest.approx(1.080)
    assert corrected(corrector, 1000) == pytest.approx(1.100)


def test_readings_before_a_re_anchoring_keep_the_curve_as_it_was():
    corrector = Corrector(FLOAT, calibrations=[(0, OLD)], offsets=[(500, -0.003)])

    assert corrected(corrector, 499) == pytest.approx(1.080)
    assert corrected(corrector, 500) == pytest.approx(1.077)


def test_a_new_calibration_ends_an_older_re_anchoring():
    # The offset made good what the old curve got wrong; the new curve was fitted without it.
    corrector = Corrector(FLOAT, calibrations=[(0, OLD), (1000, NEW)], offsets=[(500, -0.003), (1500, 0.002)])

    assert corrected(corrector, 999) == pytest.approx(1.077)
    assert corrected(corrector, 1000) == pytest.approx(1.100)
    assert corrected(corrector, 1500) == pytest.approx(1.102)


def test_a_calibrated_reading_states_its_standard_error():
    reading = Reading("float-1", 0, 0, inclination_deg=40.0, temperature_c=20.0)
    result = Corrector(FLOAT, calibrations=[(0, OLD)]).correct(reading)

    assert result.gravity == pytest.approx(1.040)
    assert result.gravity_sd == OLD.gravity(40.0)[1]
