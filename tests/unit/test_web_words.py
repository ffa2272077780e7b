"""How the pages say numbers, instants and states."""

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from mustwatch.cellar.instant import HOUR_MS, MINUTE_MS, to_ms
from mustwatch.drawing.ticks import round_values, time_ticks
from mustwatch.web.machine_routes import metrics_text
from mustwatch.web.words import Words, path_part

iso = datetime.fromisoformat
VIENNA = ZoneInfo("Europe/Vienna")
PLAIN = Words(zone=VIENNA)
OTHER = Words("Bx", "F", VIENNA)


def test_gravity_has_three_places_and_a_dash_where_nothing_is_known() -> None:
    assert PLAIN.gravity(1.0126) == "1.013"
    assert PLAIN.gravity(None) == "–"


def test_in_brix_the_same_must_reads_as_the_tables_say() -> None:
    # NBS Circular 440, table 114 (as in the references): 1.0500 is 12.4 °Bx.
    assert OTHER.gravity(1.0500) == "12.4 °Bx"


def test_fahrenheit_is_converted_and_differences_are_not_shifted() -> None:
    assert OTHER.temperature(20.0) == "68.0 °F"
    assert OTHER.warmth(-5.0) == "−9.0 °F"


@pytest.mark.parametrize(
    ("rate", "sd", "said"),
    [
        (-0.0123, 0.001, "falls 0.012 a day"),
        (0.004, 0.001, "rises 0.004 a day"),
        (-0.0003, 0.0001, "still"),
        (-0.002, 0.004, "still"),
        (None, None, ""),
    ],
)
def test_the_pace_is_said_only_as_far_as_it_is_known(rate: float | None, sd: float | None, said: str) -> None:
    assert PLAIN.pace(rate, sd, 1.04) == said


def test_a_temperature_is_placed_in_its_band_in_words() -> None:
    band = {"low": 18.0, "high": 25.0}

    inside, below, above = (PLAIN.in_band(c, band) for c in (20.0, 11.3, 26.25))

    assert inside is not None and below is not None and above is not None  # noqa: PT018
    assert (inside.words, inside.outside) == ("within 18 to 25 °C", False)
    assert (below.words, below.outside) == ("6.7 °C below its band", True)
    assert (above.words, above.outside) == ("1.2 °C above its band", True)


def test_instants_are_told_by_the_clock_on_the_cellars_wall() -> None:
    assert PLAIN.moment("2026-10-24T04:12:00+00:00") == "Sat 24 Oct, 06:12"
    assert PLAIN.full_day("2026-10-24T22:30:00+00:00") == "Sun 25 Oct 2026"


def test_how_long_ago_something_was_is_said_as_everywhere() -> None:
    assert PLAIN.ago("2026-10-24T04:12:00+00:00", "2026-10-24T09:12:00+02:00") == "3 hours ago"
    assert PLAIN.ago("2026-10-24T04:12:00+00:00", "2026-10-24T06:12:30+02:00") == "just now"
    assert PLAIN.lasted("2026-10-24T04:12:00+00:00", "2026-10-27T04:12:00+00:00") == PLAIN.span(
        3 * 24 * HOUR_MS
    )


def test_a_quiet_night_is_said_to_be_quiet_and_a_cold_one_by_how_long() -> None:
    quiet = {"lot": "red", "minimum": 20.0, "swing": 0.4, "minutes_above": 0, "minutes_below": 0}
    cold = {**quiet, "lot": "kit", "minutes_below": 385}

    assert (
        PLAIN.night_verdict([quiet])
        == "A quiet night: every lot kept to its band. red swung most, by 0.4 °C."
    )
    assert PLAIN.night_verdict([quiet, cold]) == "kit was too cold for 6 h 25."
    assert PLAIN.night_verdict([{**quiet, "lot": None}]) == "No temperatures of a lot were heard."


def test_any_name_becomes_one_part_of_an_address() -> None:
    assert path_part("a/b?c#d é&%") == "a%2Fb%3Fc%23d%20%C3%A9%26%25"


def test_a_day_of_25_hours_is_labelled_by_the_wall_clock() -> None:
    # Central European summer time ended on 2026-10-25 at 01:00 UTC (Directive 2000/84/EC).
    begin, end = to_ms(iso("2026-10-24T22:00:00+00:00")), to_ms(iso("2026-10-25T23:00:00+00:00"))

    ticks = time_ticks(begin, end, PLAIN)

    assert [t.text for t in ticks] == [
        "00:00",
        "03:00",
        "06:00",
        "09:00",
        "12:00",
        "15:00",
        "18:00",
        "21:00",
        "00:00",
    ]
    assert [ticks[0].below, ticks[-1].below] == ["25 Oct", "26 Oct"]
    assert ticks[1].at_ms - ticks[0].at_ms == 4 * HOUR_MS
    assert [t.text for t in ticks if not t.is_fine] == ["00:00", "06:00", "12:00", "18:00", "00:00"]


@pytest.mark.parametrize("minutes", [5, 90, 1_440, 10_080, 30_240, 131_400, 1_051_200])
def test_a_window_of_any_length_has_a_few_labels(minutes: int) -> None:
    begin = to_ms(iso("2026-03-27T17:23:00+00:00"))

    ticks = time_ticks(begin, begin + minutes * MINUTE_MS, PLAIN)

    assert 1 <= sum(not t.is_fine for t in ticks) <= len(ticks) <= 10
    assert all(begin <= t.at_ms <= begin + minutes * MINUTE_MS for t in ticks)


@pytest.mark.parametrize(
    ("low", "high", "shown", "decimals"),
    [
        (0.9905, 1.0997, [1.0, 1.02, 1.04, 1.06, 1.08], 2),
        (18.1, 22.3, [20, 22], 0),
        (0.9911, 0.9924, [0.9915, 0.992], 4),
    ],
)
def test_a_scale_is_labelled_at_round_values(
    low: float, high: float, shown: list[float], decimals: int
) -> None:
    values, digits = round_values(low, high, 6 if high - low > 0.1 and low < 2 else 3)

    assert values == pytest.approx(shown)
    assert digits == decimals


def test_metrics_are_prometheus_text_with_one_type_line_each() -> None:
    said = metrics_text(
        {"commits_total": 3, 'heard_seconds_ago{sensor="a"}': 1.5, 'heard_seconds_ago{sensor="b"}': 2}
    )

    assert said.splitlines() == [
        "# TYPE mustwatch_commits_total counter",
        "mustwatch_commits_total 3",
        "# TYPE mustwatch_heard_seconds_ago gauge",
        'mustwatch_heard_seconds_ago{sensor="a"} 1.5',
        'mustwatch_heard_seconds_ago{sensor="b"} 2',
    ]
    with pytest.raises(ValueError, match="expected lower-case"):
        metrics_text({"Bad Name": 1})
