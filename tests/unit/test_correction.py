"""From what a float said to gravity 20/20: by the temperature, calibration and anchor of that instant."""

import pytest

from mustwatch.cellar.correction import Corrector
from mustwatch.cellar.history import BEGINNING_MS
from mustwatch.cellar.instant import HOUR_MS, MINUTE_MS
from mustwatch.cellar.reading import Reading
from mustwatch.cellar.sensor import Sensor, SensorKind
from mustwatch.must.calibration import fit

FLOAT = Sensor("float", SensorKind.FLOAT, "senml")
POINTS = ((25.0, 1.000), (40.0, 1.040), (55.0, 1.080), (70.0, 1.120))


def said(at_ms: int = 0, **quantities: float) -> Reading:
    return Reading("float", at_ms, at_ms, **quantities)  # type: ignore[arg-type]


def test_a_reading_at_30_degrees_is_corrected_by_the_water_ratio() -> None:
    # 1.090 read at 30 °C is 1.09280 at 20 °C: ratio of the CIPM water densities (Tanaka 2001), ±2e-5.
    gravity, _, celsius = Corrector(FLOAT).correct(said(gravity=1.090, temperature_c=30.0))

    assert gravity == pytest.approx(1.09280, abs=2e-5)
    assert celsius == 30.0


def test_a_float_that_compensates_itself_is_left_alone() -> None:
    compensated = Sensor("float", SensorKind.FLOAT, "senml", compensated=True)

    assert Corrector(compensated).correct(said(gravity=1.090, temperature_c=30.0)).gravity == 1.090


def test_a_temperature_sent_a_little_earlier_serves_and_one_sent_long_ago_does_not() -> None:
    corrector = Corrector(FLOAT)
    corrector.correct(said(0, temperature_c=30.0))

    assert corrector.correct(said(10 * MINUTE_MS, gravity=1.090)).gravity == pytest.approx(1.0928, abs=2e-5)
    assert corrector.correct(said(2 * HOUR_MS, gravity=1.090)).gravity == 1.090


def test_an_inclination_is_read_through_the_calibration_valid_at_its_instant() -> None:
    later = tuple((incline, gravity + 0.005) for incline, gravity in POINTS)
    corrector = Corrector(FLOAT, [(BEGINNING_MS, fit(POINTS)), (HOUR_MS, fit(later))])

    before = corrector.correct(said(0, inclination_deg=40.0, temperature_c=20.0)).gravity
    after = corrector.correct(said(HOUR_MS, inclination_deg=40.0, temperature_c=20.0)).gravity

    assert before == pytest.approx(1.040, abs=5e-4)
    assert after is not None
    assert before is not None
    assert after - before == pytest.approx(0.005, abs=1e-6)


def test_an_anchor_holds_from_its_date_on_and_not_before() -> None:
    corrector = Corrector(FLOAT, offsets=[(HOUR_MS, -0.002)])

    assert corrector.correct(said(0, gravity=1.050, temperature_c=20.0)).gravity == pytest.approx(1.050)
    assert corrector.correct(said(HOUR_MS, gravity=1.050, temperature_c=20.0)).gravity == pytest.approx(1.048)


def test_an_inclination_without_a_calibration_is_no_gravity() -> None:
    assert Corrector(FLOAT).correct(said(inclination_deg=40.0, temperature_c=20.0)).gravity is None


@pytest.mark.parametrize("incline", [-170.0, 179.0])
def test_a_float_lying_in_the_air_has_no_gravity_but_keeps_its_temperature(incline: float) -> None:
    corrected = Corrector(FLOAT, [(BEGINNING_MS, fit(POINTS))]).correct(
        said(inclination_deg=incline, temperature_c=18.0)
    )

    assert corrected.gravity is None
    assert corrected.temperature_c == 18.0


def test_a_probe_s_offset_is_added() -> None:
    probe = Sensor("probe", SensorKind.PROBE, "senml", temperature_offset_c=-0.5)

    assert Corrector(probe).correct(Reading("probe", 0, 0, temperature_c=20.0)).temperature_c == 19.5
