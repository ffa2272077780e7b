"""The book's rules as a winemaker meets them: what is refused, in one line, and what is taken."""

import pytest

from mustwatch.cellar.book import (
    Addition,
    Bottling,
    Entry,
    Measurement,
    Move,
    Note,
    Racking,
    Reanchor,
    StageChange,
    Start,
    Tasting,
    What,
)
from mustwatch.cellar.history import fold
from mustwatch.cellar.instant import DAY_MS, HOUR_MS
from mustwatch.cellar.profile import Stage
from mustwatch.cellar.refusal import Reason, Refusal, overrulable
from mustwatch.cellar.rules import Cellar, refusals
from mustwatch.cellar.vessel import Vessel, VesselKind

BEGAN = 1_790_000_000_000
VESSELS = {
    "bucket": Vessel("bucket", VesselKind.BUCKET, 30.0),
    "carboy": Vessel("carboy", VesselKind.CARBOY, 23.0),
    "small": Vessel("small", VesselKind.CARBOY, 19.0),
    "taken": Vessel("taken", VesselKind.CARBOY, 23.0),
}
LOT, OTHER = "kit-red", "apple"


def entry(what: What, *, days: float = 0.0, lot: str = LOT, number: int = 0) -> Entry:
    at_ms = BEGAN + int(days * DAY_MS)
    return Entry(f"e{number}-{days}-{what.kind}", lot, at_ms, BEGAN + 400 * DAY_MS, what)


BOOK = [
    entry(Start("bucket", gravity=1.050, temperature_c=19.0, litres=23.0)),
    entry(Start("taken", litres=20.0), lot=OTHER, days=1),
]


def judge(what: What, *, days: float = 2.0, lot: str = LOT, book: list[Entry] | None = None) -> list[Refusal]:
    history = fold(BOOK if book is None else book)
    cellar = Cellar(history, VESSELS, profiles={"default", "red"}, sensors={"float-1"})
    return refusals(entry(what, days=days, lot=lot, number=9), cellar)


INPUT = [
    # A vessel holds one lot at a time.
    (Racking("taken"), {}, Reason.OCCUPIED, "taken holds lot 'apple'"),
    (Start("taken"), {"lot": "new"}, Reason.OCCUPIED, "taken holds lot 'apple'"),
    # A vessel that is empty today may be taken from tomorrow on: an entry for today must not reach into that.
    (Racking("taken"), {"days": 0.5}, Reason.OCCUPIED, "taken holds lot 'apple'"),
    # Wine is racked from where it is.
    (Racking("small", from_vessel="carboy"), {}, Reason.EMPTY_VESSEL, "carboy is empty"),
    (Racking("carboy", from_vessel="taken"), {}, Reason.EMPTY_VESSEL, "taken holds lot 'apple'"),
    (Racking("bucket"), {}, Reason.SAME_VESSEL, "already in bucket"),
    # It has to fit.
    (Racking("small"), {}, Reason.TOO_SMALL, "small holds 19 L, too small for 23 L"),
    (Racking("small", lees_litres=1.0), {}, Reason.TOO_SMALL, "too small for 22 L"),
    (Start("small", litres=25.0), {"lot": "new"}, Reason.TOO_SMALL, "small holds 19 L, too small for 25 L"),
    (Addition("water", litres=8.0), {}, Reason.TOO_SMALL, "bucket holds 30 L, too small for 31 L"),
    (Bottling(40), {}, Reason.TOO_MANY_BOTTLES, "30 L of bottles are more than the 23 L"),
    # Time has an order.
    (Bottling(28), {"days": -1}, Reason.BEFORE_THE_START, "is before lot 'kit-red' began"),
    (Measurement(1.04), {"days": -0.1}, Reason.BEFORE_THE_START, "is before lot 'kit-red' began"),
    (Note("x"), {"days": 401}, Reason.IN_THE_FUTURE, "is still to come"),
    # Words have to be known.
    (Start("carboy"), {}, Reason.NAME_USED, "lot 'kit-red' has been in the book since"),
    (Measurement(1.04), {"lot": "kit-rde"}, Reason.UNKNOWN_LOT, "did you mean 'kit-red'?"),
    (Racking("cellar"), {}, Reason.UNKNOWN_VESSEL, "vessel 'cellar' is not in the configuration"),
    (Start("carboy", profile="rde"), {"lot": "new"}, Reason.UNKNOWN_PROFILE, "expected one of default, red"),
    (Move("float-2", "carboy"), {}, Reason.UNKNOWN_SENSOR, "sensor 'float-2' is not in the configuration"),
    (Racking("carboy", floats=("float-2",)), {}, Reason.UNKNOWN_SENSOR, "did you mean 'float-1'?"),
    (Start("carboy"), {"lot": " "}, Reason.BAD_VALUE, "lot name"),
    (Start("carboy"), {"lot": "a/b"}, Reason.BAD_VALUE, "lot name"),
    # Numbers have to be possible.
    (Measurement(105.0), {}, Reason.BAD_VALUE, "did you mean 1.050?"),
    (Measurement(1050.0), {}, Reason.BAD_VALUE, "did you mean 1.050?"),
    (Measurement(float("nan")), {}, Reason.BAD_VALUE, "gravity nan"),
    (
        Measurement(1.04, temperature_c=68.0),
        {},
        Reason.BAD_VALUE,
        "temperature 68.0 °C: expected a temperature such as 19.0 °C",
    ),
    (Measurement(ph=34.0), {}, Reason.BAD_VALUE, "pH 34"),
    (Measurement(), {}, Reason.BAD_VALUE, "nothing measured"),
    (Bottling(0), {}, Reason.BAD_VALUE, "bottles 0"),
    (Addition("sugar", amount=-5.0), {}, Reason.BAD_VALUE, "amount -5"),
    (Addition("sugar", purpose="sweetly"), {}, Reason.BAD_VALUE, "purpose 'sweetly'"),
    (Note(" "), {}, Reason.BAD_VALUE, "expected some words"),
    (Tasting("a\x1b[2Jb"), {}, Reason.BAD_VALUE, "control character"),
    (Reanchor("float-1", 0.5), {}, Reason.BAD_VALUE, "offset 0.5"),
    (Start("carboy", yeast_low_c=25.0, yeast_high_c=15.0), {"lot": "new"}, Reason.BAD_VALUE, "upside down"),
]


@pytest.mark.parametrize(
    ("what", "where", "reason", "words"), INPUT, ids=[f"{r}-{i}" for i, (_, _, r, _) in enumerate(INPUT)]
)
def test_what_cannot_be_is_refused_in_one_line_as_wrong_input(
    what: What, where: dict[str, float], reason: Reason, words: str
) -> None:
    found = judge(what, **where)  # type: ignore[arg-type]

    assert found[0].reason is reason
    assert words in found[0].line
    assert "\n" not in found[0].line
    assert found[0].exit_code == 2
    assert not overrulable(found)


@pytest.mark.parametrize(
    ("what", "where"),
    [
        (Start("carboy", gravity=1.09, litres=20.0, profile="red"), {"lot": "Blauer Portugieser 2026"}),
        (Measurement(1.040, 19.0), {}),
        (Measurement(temperature_c=19.0), {}),
        (Racking("carboy", gravity=1.010, temperature_c=19.0), {}),
        (Racking("small", lees_litres=4.0), {}),
        (Racking("small", litres=19.0), {}),
        (Addition("yeast nutrient", 5.0, "g"), {}),
        (Note("smells of bread"), {}),
        (Tasting("sharp"), {}),
        (Move("float-1", None), {}),
        (Reanchor("float-1", -0.003), {}),
        (StageChange(Stage.SECONDARY), {}),
    ],
)
def test_what_a_winemaker_ordinarily_does_is_taken(what: What, where: dict[str, str]) -> None:
    assert judge(what, **where) == []  # type: ignore[arg-type]


def test_a_gravity_above_the_last_needs_an_addition_or_a_reason() -> None:
    """Bound: twice the combined error of a float (0.002) and a hydrometer (0.001), 0.0045; own choice."""
    book = [*BOOK, entry(Measurement(1.030), days=1)]

    found = judge(Measurement(1.036), book=book)

    assert [r.reason for r in found] == [Reason.GRAVITY_ROSE]
    assert "from 1.030" in found[0].line
    assert "to 1.036" in found[0].line
    assert found[0].exit_code == 2
    assert overrulable(found)
    assert judge(Measurement(1.034), book=book) == []
    assert (
        judge(Measurement(1.045), book=[*book, entry(Addition("sugar", 500, "g", sugar_g=500.0), days=1.5)])
        == []
    )


def test_a_check_entered_late_may_not_lie_below_the_next_one_either() -> None:
    book = [*BOOK, entry(Measurement(1.030), days=3)]

    assert [r.reason for r in judge(Measurement(1.020), days=2, book=book)] == [Reason.GRAVITY_ROSE]
    assert judge(Measurement(1.040), days=2, book=book) == []


def test_a_racking_entered_late_may_only_take_a_vessel_until_it_moved_on() -> None:
    """The lot left the bucket on day 4; what happens in the carboy after that is no business of this racking."""
    book = [
        BOOK[0],
        entry(Racking("small", litres=19.0), days=4),
        entry(Start("carboy"), lot="later", days=5),
    ]

    assert judge(Racking("carboy"), days=2, book=book) == []
    assert [r.reason for r in judge(Racking("carboy"), days=4.5, book=book)] == [Reason.OCCUPIED]


def test_after_bottling_nothing_is_racked_or_added_but_bottles_are_still_tasted() -> None:
    book = [*BOOK, entry(Bottling(20), days=30)]

    assert [r.reason for r in judge(Racking("carboy"), days=31, book=book)] == [Reason.AFTER_BOTTLING]
    assert [r.reason for r in judge(Addition("sulfite"), days=31, book=book)] == [Reason.AFTER_BOTTLING]
    assert judge(Tasting("soft, plum"), days=60, book=book) == []
    assert judge(Measurement(0.995), days=60, book=book) == []
    assert judge(Start("bucket"), days=31, lot="next", book=book) == []


def test_bottling_may_not_be_entered_before_a_racking_that_is_in_the_book() -> None:
    book = [*BOOK, entry(Racking("carboy"), days=40)]

    assert [r.reason for r in judge(Bottling(28), days=30, book=book)] == [Reason.AFTER_BOTTLING]
    assert [r.reason for r in judge(Bottling(28), days=-1, book=book)] == [Reason.BEFORE_THE_START]


def test_an_entry_a_minute_ahead_of_the_clock_is_taken() -> None:
    hasty = Entry("h", LOT, BEGAN + HOUR_MS, BEGAN + HOUR_MS - 60_000, Note("now"))

    assert refusals(hasty, Cellar(fold(BOOK), VESSELS)) == []


def test_a_gravity_that_fell_faster_than_any_must_ferments_is_doubted_as_a_rise_is() -> None:
    """Bound: 0.05 a day (48 g/L of CO2 in the fastest published day is a fall of 0.045) and 0.01 of reading."""
    book = [*BOOK, entry(Measurement(1.048), days=1)]

    found = judge(Measurement(0.968), days=1.5, book=book)

    assert [r.reason for r in found] == [Reason.GRAVITY_FELL]
    assert found[0].exit_code == 2
    assert overrulable(found)
    assert "fall from 1.048" in found[0].line
    assert judge(Measurement(1.014), days=1.5, book=book) == []
    assert judge(Measurement(0.995), days=6, book=book) == []
    water = entry(Addition("water", 5, "L", litres=5.0), days=1.2)
    assert judge(Measurement(0.998), days=1.25, book=[*book, water]) == []
    # Entered late, it may not lie too far above the next one.
    assert [
        r.reason
        for r in judge(Measurement(1.0475), days=4.9, book=[*BOOK, entry(Measurement(0.990), days=5)])
    ] == [Reason.GRAVITY_FELL]


@pytest.mark.parametrize(("gravity", "side"), [(0.995, "below"), (1.048, "above")])
def test_a_gravity_far_from_what_the_float_says_is_doubted_either_way(gravity: float, side: str) -> None:
    history = fold([entry(Start("bucket", gravity=1.080, litres=23.0))])
    says = 1.075 if side == "below" else 1.000
    cellar = Cellar(history, VESSELS, float_says=says)

    found = refusals(entry(Measurement(gravity), days=9, number=9), cellar)

    assert [r.reason for r in found] == [Reason.FLOAT_SAYS_OTHERWISE]
    assert f"{side} what the float says of 'kit-red' ({says:.3f})" in found[0].line
    assert overrulable(found)
    assert refusals(entry(Measurement(says - 0.02), days=9, number=9), cellar) == []
    own = Racking("carboy", gravity=gravity, from_sensors=True)
    assert refusals(entry(own, days=9, number=9), cellar) == []


def test_an_unknown_lot_is_answered_with_the_names_it_was_near_to_and_never_with_a_twin() -> None:
    book = [entry(Start("bucket"), lot="Hillside red"), entry(Start("taken"), lot="apple")]

    (found,) = judge(Note("x"), lot="hillside red", book=book)
    (far,) = judge(Note("x"), lot="quince", book=book)
    (none,) = judge(Note("x"), lot="quince", book=[])

    assert found.line == "lot 'hillside red' is not in the book: did you mean 'Hillside red'?"
    assert far.line == "lot 'quince' is not in the book: known: Hillside red, apple"
    assert "record start LOT" in none.line
    assert found.about == "hillside red"


def test_a_mistyped_vessel_is_answered_with_the_near_one() -> None:
    (found,) = judge(Racking("carbuoy"))

    assert "did you mean 'carboy'?" in found.line
    assert found.about == "carbuoy"


CHECK = Measurement(1.030, 19.0, gravity_as_read=1.0302)
BOTH_TIMES = [
    (CHECK, CHECK, 0.0),
    # The sample's temperature is the sensors', of another second.
    (CHECK, Measurement(1.0301, 19.1, gravity_as_read=1.0302), 0.5),
    (Addition("sugar", 500.0, "g", sugar_g=500.0), Addition("sugar", 500.0, "g", sugar_g=500.0), 0.9),
    (Note("clear"), Note("clear"), -0.9),
]


@pytest.mark.parametrize(("first", "again", "minutes"), BOTH_TIMES)
def test_the_same_entry_within_a_minute_is_asked_about(first: What, again: What, minutes: float) -> None:
    found = judge(again, days=2 + minutes / 1440, book=[*BOOK, entry(first, days=2)])

    assert [refusal.reason for refusal in found] == [Reason.REPEATED]
    assert overrulable(found)
    assert found[0].exit_code == 2
    assert "if it was done twice" in found[0].line


OTHERS = [
    (CHECK, CHECK, 1.0),
    (CHECK, Measurement(1.029, 19.0, gravity_as_read=1.0292), 0.0),
    (CHECK, Measurement(1.030, 19.0, gravity_as_read=1.0302, ph=3.4), 0.0),
    (Addition("sugar", 500.0, "g"), Addition("sugar", 250.0, "g"), 0.0),
    (Note("clear"), Tasting("clear"), 0.0),
]


@pytest.mark.parametrize(("first", "other", "minutes"), OTHERS)
def test_another_entry_or_the_same_a_minute_later_is_taken(first: What, other: What, minutes: float) -> None:
    assert judge(other, days=2 + minutes / 1440, book=[*BOOK, entry(first, days=2)]) == []


@pytest.mark.parametrize("name", ["Kit-Red", "KIT-RED", "kit -red"])
def test_a_lot_named_as_a_living_one_but_for_case_and_blanks_is_asked_about(name: str) -> None:
    (found,) = judge(Start("small"), lot=name)

    assert found.reason is Reason.NAME_ALIKE
    assert "did you mean that one?" in found.line
    assert "'kit-red'" in found.line
    assert found.exit_code == 2
    assert overrulable([found])


def test_a_lot_named_almost_as_a_bottled_one_or_clearly_otherwise_is_taken() -> None:
    bottled = [*BOOK, entry(Bottling(28), days=90)]

    assert judge(Start("small"), lot="Kit-Red", days=100, book=bottled) == []
    assert judge(Start("small"), lot="kit-red-2") == []
