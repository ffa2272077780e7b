"""Analyses: what can be measured besides gravity and temperature, what is refused of it, and how it is said."""

import pytest

from mustwatch.cellar.analysis import Quantity, measured, newest
from mustwatch.cellar.book import Addition, Entry, Malic, Measurement, Start, What
from mustwatch.cellar.entry_json import entry_from_json, entry_to_json
from mustwatch.cellar.history import fold
from mustwatch.cellar.instant import DAY_MS
from mustwatch.cellar.possible import bad_values
from mustwatch.cellar.profile import Profile, Stage, Step
from mustwatch.cellar.steps import next_steps
from mustwatch.views.book_words import what_was_done
from mustwatch.views.measured import measured_json

BEGAN = 1_790_000_000_000
ALL = Measurement(
    ph=3.42,
    free_so2_mg_per_l=28.0,
    total_so2_mg_per_l=95.0,
    titratable_acidity_g_per_l=6.5,
    malic=Malic.TRACES,
    yan_mg_per_l=180.0,
    residual_sugar_g_per_l=2.5,
    method="laboratory",
)


def entry(day: float, what: What) -> Entry:
    at_ms = BEGAN + int(day * DAY_MS)
    return Entry(f"{day}-{what.kind}", "lot", at_ms, at_ms, what)


def wrong(what: Measurement) -> list[str]:
    return [refusal.line for refusal in bad_values(entry(1, what))]


def test_everything_measured_is_said_with_its_unit_and_method() -> None:
    assert what_was_done(ALL) == (
        "measured: pH 3.42, titratable acidity 6.5 g/L as tartaric acid, malic acid traces, free SO2 28 mg/L, "
        "total SO2 95 mg/L, YAN 180 mg/L of nitrogen, residual sugar 2.5 g/L (by laboratory)"
    )
    one = Measurement(free_so2_mg_per_l=28.0, method="aspiration", error=3.0)
    assert what_was_done(one) == "measured: free SO2 28 ±3 mg/L (by aspiration)"
    assert (
        what_was_done(Measurement(0.995, 20.0, ph=3.4)) == "checked by hand: gravity 0.9950, 20.0 °C, pH 3.40"
    )


def test_an_analysis_travels_whole_and_an_entry_of_before_reads_the_same() -> None:
    assert entry_from_json(entry_to_json(entry(1, ALL))) == entry(1, ALL)
    old = {
        "id": "a",
        "lot": "lot",
        "at": "2026-01-01T00:00:00+00:00",
        "recorded_at": "2026-01-01T00:00:00+00:00",
    }
    read = entry_from_json({**old, "kind": "measure", "ph": 3.4, "free_so2_mg_per_l": 30})
    assert read.what == Measurement(ph=3.4, free_so2_mg_per_l=30.0)


@pytest.mark.parametrize(
    ("what", "said"),
    [
        (Measurement(ph=34.0), "pH 34: expected a pH such as 3.4, between 2 and 5"),
        (
            Measurement(titratable_acidity_g_per_l=65.0),
            "titratable acidity 65: expected g/L as tartaric acid",
        ),
        (Measurement(yan_mg_per_l=-5.0), "YAN -5: expected mg/L of nitrogen"),
        (
            Measurement(free_so2_mg_per_l=50.0, total_so2_mg_per_l=40.0),
            "more than the total 40 mg/L, of which it is",
        ),
        (Measurement(ph=3.4, free_so2_mg_per_l=30.0, error=2.0), "write each analysis with its own error"),
        (Measurement(malic=Malic.GONE, error=1.0), "expected with one of ph, acidity, free-so2"),
        (Measurement(ph=3.4, error=-0.1), "expected more than 0"),
        (Measurement(0.995, method="strip"), "expected with an analysis"),
        (
            Measurement(),
            "nothing measured: give at least --gravity, --celsius, --ph or --free-so2, or another",
        ),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_what_no_analysis_could_say_is_refused_with_what_was_expected(what: Measurement, said: str) -> None:
    lines = wrong(what)

    assert len(lines) == 1, lines
    assert said in lines[0]


def test_the_newest_of_each_quantity_is_found_and_each_has_its_values_in_time_order() -> None:
    book = [
        entry(1, Measurement(ph=3.4)),
        entry(2, Measurement(free_so2_mg_per_l=20.0)),
        entry(3, Measurement(ph=3.5, method="meter", error=0.02)),
    ]

    assert [m.value for m in measured(book)] == [3.4, 20.0, 3.5]
    found = newest(book, Quantity.PH)
    assert found is not None
    assert (found.value, found.method, found.error) == (3.5, "meter", 0.02)
    before = newest(book, Quantity.PH, BEGAN + 2 * DAY_MS)
    assert before is not None
    assert before.value == 3.4
    document = measured_json(book)
    assert [q["quantity"] for q in document] == ["ph", "free-so2"]
    assert [v["words"] for v in document[0]["values"]] == ["3.40", "3.50 ±0.02"]


def test_a_step_that_asks_for_free_so2_is_ticked_by_it_and_by_nothing_else() -> None:
    step = Step(
        "sulfite-check", "Measure", "why", Stage.PRIMARY, after="start", days=0, done_by="measure:free-so2"
    )
    profile = Profile(steps=(step,))

    def is_open(*what: Measurement) -> bool:
        book = [entry(0, Start("carboy")), *(entry(i, one) for i, one in enumerate(what, 1))]
        return bool(next_steps(fold(book).lots["lot"], profile, BEGAN + 9 * DAY_MS))

    assert is_open()
    assert is_open(Measurement(0.995), Measurement(ph=3.4))
    assert not is_open(Measurement(free_so2_mg_per_l=28.0))


def test_nutrient_in_parts_waits_for_the_share_of_the_sugar_that_is_used_added_sugar_included() -> None:
    """From 1.100 to dry (0.998) a third of the way is 1.066; with 1 kg of sugar in 20 L more the must was 1.115."""
    step = Step("feed-again", "Feed", "why", Stage.PRIMARY, sugar_used=1 / 3, done_by="add:nutrient")
    profile = Profile(steps=(step,))

    def due(gravity: float, *more: Addition) -> str:
        book = [
            entry(0, Start("carboy", gravity=1.100, litres=20.0)),
            *(entry(1, one) for one in more),
            entry(3, Measurement(gravity)),
        ]
        return next_steps(fold(book).lots["lot"], profile, BEGAN + 3 * DAY_MS)[0].due

    assert due(1.070) == "waiting"
    assert due(1.065) == "now"
    assert due(1.078, Addition("sugar", 1, "kg", sugar_g=1000.0)) == "waiting"
    assert due(1.074, Addition("sugar", 1, "kg", sugar_g=1000.0)) == "now"
    no_gravity = fold([entry(0, Start("carboy"))]).lots["lot"]
    waits = next_steps(no_gravity, profile, BEGAN + DAY_MS)[0]
    assert waits.waiting_for == "a gravity of the must is written down"
