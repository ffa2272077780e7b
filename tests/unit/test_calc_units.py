"""Numbers with units as people type them."""

import pytest

from mustwatch.must.bounds import OutOfRangeError
from mustwatch.recording import units


@pytest.mark.parametrize(
    ("typed", "celsius"),
    [
        ("20", 20.0),  # the option's own unit
        ("20C", 20.0),
        ("20 °C", 20.0),
        ("68F", 20.0),  # (68 - 32) / 1.8
        ("68°F", 20.0),
        ("18,5", 18.5),
        ("18,5 °C", 18.5),
        ("65,3F", 18.5),
        ("60F", 15.5556),
        ("293.15K", 20.0),
        ("0", 0.0),
        ("40C", 40.0),
    ],
)
def test_temperatures_are_read(typed, celsius):
    assert units.temperature_c("--celsius", typed) == pytest.approx(celsius, abs=1e-4)


@pytest.mark.parametrize(
    ("typed", "litres"),
    [
        ("23", 23.0),
        ("23L", 23.0),
        ("23 litres", 23.0),
        ("500ml", 0.5),
        ("0,5L", 0.5),
        (",5 L", 0.5),
        ("1,050 L", 1.05),  # a decimal comma, never thousands
        ("2hL", 200.0),
        ("6gal", 22.712),  # US gallon, 3.785411784 L by definition
        ("1usgal", 3.785412),
        ("1impgal", 4.54609),
        ("0.1m³", 100.0),
    ],
)
def test_volumes_are_read(typed, litres):
    assert units.volume_litres("--litres", typed) == pytest.approx(litres, abs=1e-3)


@pytest.mark.parametrize(
    ("typed", "gravity"),
    [
        ("1.050", 1.050),
        ("0.994", 0.994),
        ("1,050", 1.050),  # what a phone offers: never a thousand and fifty
        ("0,994", 0.994),
        ("22,5Bx", 1.09410),  # ICUMSA
        ("1050kg/m3", 1.05189),  # over water's 998.2067 kg/m³ at 20 °C
        ("1.05g/mL", 1.05189),
        ("22Bx", 1.09189),  # ICUMSA
        ("22 °Brix", 1.09189),
        ("90Oe", 1.090),
        ("12.2Bé", 1.0919),
    ],
)
def test_gravities_are_read(typed, gravity):
    assert units.gravity("--gravity", typed) == pytest.approx(gravity, abs=1e-4)


@pytest.mark.parametrize(
    ("read", "typed", "says"),
    [
        (units.gravity, "105", "did you mean 1.050?"),
        (units.gravity, "1050", "did you mean 1.050?"),
        (units.gravity, "22", "could be °Brix or °Oechsle; expected one, as 22Bx or 22Oe"),
        (units.gravity, "92", "expected e.g. 92Oe"),
        (units.gravity, "-3", "expected 0.950 to 1.200"),
        (units.gravity, "1,050.5", "has two decimal signs"),
        (units.volume_litres, "1.000,5L", "has two decimal signs"),
        (units.gravity, "1,050,000", "has two decimal signs"),
        (units.gravity, "1.05xyz", "unknown unit; expected e.g. 1.050"),
        (units.gravity, "", "not a number with a unit"),
        (units.gravity, "nan", "not a number with a unit"),
        (units.gravity, "60Bx", "expected -14 to 50 °Bx"),
        (units.temperature_c, "68", "did you mean 68F?"),
        (units.temperature_c, "293", "expected 0 to 40 °C"),
        (units.temperature_c, "-5C", "expected 0 to 40 °C"),
        (units.temperature_c, "20X", "unknown unit; expected e.g. 20C"),
        (units.volume_litres, "-23", "expected more than 0 L"),
        (units.volume_litres, "0", "expected more than 0 L"),
        (units.volume_litres, "23bananas", "unknown unit; expected e.g. 23L"),
        (units.brix, "22Oe", "not in °Brix"),
    ],
)
def test_what_cannot_be_read_is_refused_in_one_line_with_what_was_expected(read, typed, says):
    with pytest.raises((units.UnitError, OutOfRangeError)) as refused:
        read("--option", typed)

    assert says in str(refused.value)
    assert "--option" in str(refused.value)
    assert "\n" not in str(refused.value)


def test_a_bare_number_is_refused_where_the_name_states_no_unit():
    with pytest.raises(units.UnitError, match=r"has no unit; expected e\.g\. 20C"):
        units.temperature_c("value", "20", bare=False)
    with pytest.raises(units.UnitError, match=r"has no unit; expected e\.g\. 23L"):
        units.volume_litres("value", "6", bare=False)
