"""How a cellar's people are told quantities: in their units, by their clock, with no more digits than count."""

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from mustwatch.cellar.instant import DAY_MS, HOUR_MS, MINUTE_MS, to_ms
from mustwatch.cellar.measures import Measures

VIENNA = ZoneInfo("Europe/Vienna")
PLAIN = Measures(zone=VIENNA)
OTHER = Measures("Bx", "F", VIENNA)


def ms(text: str) -> int:
    return to_ms(datetime.fromisoformat(text))


@pytest.mark.parametrize(
    ("gravity", "plain", "brix"),
    [
        # NBS Circular 440, table 114 (as in the references): 1.0500 is 12.4 °Bx, 1.0100 is 2.6.
        (1.0500, "1.050", "12.4 °Bx"),
        (1.0100, "1.010", "2.6 °Bx"),
        (1.0000, "1.000", "0.0 °Bx"),
        (0.9950, "0.995", "−1.3 °Bx"),
    ],
)
def test_a_gravity_is_told_in_the_cellars_unit(gravity: float, plain: str, brix: str) -> None:
    assert PLAIN.gravity(gravity) == plain
    assert OTHER.gravity(gravity) == brix


def test_a_change_of_gravity_is_told_in_the_same_unit_with_its_sign_where_that_counts() -> None:
    assert PLAIN.gravity_change(-0.0123) == "0.012"
    assert PLAIN.gravity_change(-0.0032, digits=4, sign=True) == "−0.0032"
    # 1.040 is 9.99 °Bx and 1.050 is 12.39 (NBS Circular 440, table 114).
    assert OTHER.gravity_change(-0.010, 1.040) == "2.4 °Bx"
    assert OTHER.gravity_change(0.010, 1.040, sign=True) == "+2.4 °Bx"


@pytest.mark.parametrize("gravity", [0.5, 0.95, 0.98, 1.2, 2.0])
def test_nobody_who_counts_in_brix_is_told_a_specific_gravity(gravity: float) -> None:
    for said in (OTHER.gravity(gravity), OTHER.gravity(gravity, 4), OTHER.gravity_change(0.004, gravity, 4)):
        assert said.endswith(" °Bx")


def test_temperatures_and_their_differences_are_told_in_the_cellars_unit() -> None:
    assert PLAIN.temperature(21.46) == "21.5 °C"
    assert OTHER.temperature(20.0) == "68.0 °F"
    assert PLAIN.temperature(-0.04) == "0.0 °C"
    assert OTHER.warmth(-5.0) == "−9.0 °F"  # no offset of 32 in a difference
    assert OTHER.degree == "°F"


def test_volumes_and_masses_are_told_in_the_size_people_use() -> None:
    assert [PLAIN.volume(litres) for litres in (22.5, 0.375, 0.0, 1250.0)] == [
        "22.5 L",
        "375 mL",
        "0 L",
        "1250 L",
    ]
    assert [PLAIN.mass(grams) for grams in (1.25, 500.0, 1500.0)] == ["1.25 g", "500 g", "1.5 kg"]


@pytest.mark.parametrize(
    ("span_ms", "said"),
    [
        (20_000, "1 minute"),
        (90 * MINUTE_MS, "90 minutes"),
        (5 * HOUR_MS, "5 hours"),
        (3 * DAY_MS, "3 days"),
    ],
)
def test_spans_are_told_in_words(span_ms: int, said: str) -> None:
    assert PLAIN.span(span_ms) == said


def test_what_is_not_known_is_a_dash() -> None:
    assert [PLAIN.gravity(None), PLAIN.temperature(None), PLAIN.volume(None), PLAIN.moment(None)] == ["–"] * 4


def test_a_night_is_told_to_the_minute() -> None:
    assert [PLAIN.minutes(m) for m in (40, 60, 385)] == ["40 min", "1 h 00", "6 h 25"]


def test_an_instant_may_come_as_text_and_a_date_is_that_day_on_the_wall() -> None:
    assert PLAIN.moment("2026-09-03T21:10:00+00:00") == "Thu 3 Sep, 23:10"
    assert PLAIN.full_day("2026-09-03") == "Thu 3 Sep 2026"
    assert PLAIN.written(ms("2026-09-03T21:10:00+00:00")) == "2026-09-03 23:10"


def test_instants_are_told_by_the_clock_on_the_wall() -> None:
    begin, end = ms("2026-09-03T21:10:00+00:00"), ms("2026-09-04T01:40:00+00:00")

    assert PLAIN.moment(begin) == "Thu 3 Sep, 23:10"
    assert PLAIN.stretch(begin, end) == "Thu 3 Sep, 23:10 to 03:40"
    assert PLAIN.stretch(begin, end + DAY_MS) == "Thu 3 Sep, 23:10 to Sat 5 Sep, 03:40"


@pytest.mark.parametrize(
    ("probability", "said"), [(0.003, "less than 1 %"), (0.034, "3 %"), (0.998, "more than 99 %")]
)
def test_a_probability_is_never_told_as_certain(probability: float, said: str) -> None:
    assert PLAIN.chance(probability) == said
