"""The cellar through time: what the book's entries make of lots, vessels, stages and sensors' places."""

from mustwatch.cellar.book import (
    Addition,
    Bottling,
    Entry,
    Measurement,
    Move,
    Racking,
    Reanchor,
    StageChange,
    Start,
    What,
)
from mustwatch.cellar.history import BEGINNING_MS, CellarHistory, SensorStay, fold
from mustwatch.cellar.instant import DAY_MS
from mustwatch.cellar.profile import Stage

FLOAT_IN_BUCKET = SensorStay("float", "bucket", BEGINNING_MS)


def entry(day: float, what: What, *, lot: str = "elder", typed: float | None = None, **more: object) -> Entry:
    at_ms = int(day * DAY_MS)
    recorded_ms = at_ms if typed is None else int(typed * DAY_MS)
    return Entry(f"{lot}-{day}-{what.kind}", lot, at_ms, recorded_ms, what, **more)  # type: ignore[arg-type]


def cellar(*entries: Entry) -> CellarHistory:
    return fold(entries, [FLOAT_IN_BUCKET])


def test_a_lot_sits_in_its_first_vessel_until_it_is_racked_and_then_in_the_other() -> None:
    history = cellar(entry(0, Start("bucket")), entry(7, Racking("carboy")))

    assert history.lots["elder"].vessel_at(6 * DAY_MS) == "bucket"
    assert history.lots["elder"].vessel_at(7 * DAY_MS) == "carboy"
    assert history.lot_in("bucket", 8 * DAY_MS) is None


def test_a_reading_before_the_lot_began_belongs_to_no_lot() -> None:
    placement = cellar(entry(1, Start("bucket"))).place("float", DAY_MS // 2)

    assert (placement.vessel, placement.lot) == ("bucket", None)
    assert placement.until_ms == DAY_MS


def test_a_float_named_in_a_racking_goes_with_the_wine_and_another_stays() -> None:
    places = [FLOAT_IN_BUCKET, SensorStay("probe", "bucket", BEGINNING_MS)]
    history = fold([entry(0, Start("bucket")), entry(7, Racking("carboy", floats=("float",)))], places)

    assert history.place("float", 8 * DAY_MS).lot == "elder"
    assert history.place("probe", 8 * DAY_MS).lot is None


def test_a_sensor_that_was_moved_is_placed_by_where_it_was_at_the_instant() -> None:
    history = cellar(
        entry(0, Start("bucket")),
        entry(0, Start("tub"), lot="plum"),
        entry(3, Move("float", "tub"), lot="plum"),
    )

    assert history.place("float", 2 * DAY_MS).lot == "elder"
    assert history.place("float", 4 * DAY_MS).lot == "plum"


def test_a_placement_says_for_how_long_it_holds() -> None:
    history = cellar(
        entry(0, Start("bucket")), entry(7, Racking("carboy")), entry(9, Start("bucket"), lot="plum")
    )

    empty = history.place("float", 8 * DAY_MS)

    assert (empty.lot, empty.from_ms, empty.until_ms) == (None, 7 * DAY_MS, 9 * DAY_MS)


def test_rackings_move_a_lot_through_the_stages_and_bottling_ends_it() -> None:
    history = cellar(
        entry(0, Start("bucket")),
        entry(7, Racking("carboy")),
        entry(30, Racking("second")),
        entry(90, StageChange(Stage.MATURING)),
        entry(200, Bottling(28)),
    ).lots["elder"]

    days = (1, 8, 31, 91, 201)
    stages = [history.stage_at(day * DAY_MS) for day in days]
    assert stages == [Stage.PRIMARY, Stage.SECONDARY, Stage.CLEARING, Stage.MATURING, Stage.BOTTLED]
    assert history.vessel is None
    assert history.bottled_ms == 200 * DAY_MS


def test_an_entry_typed_late_gives_the_same_history_as_one_typed_at_once() -> None:
    at_once = [entry(0, Start("bucket")), entry(7, Racking("carboy")), entry(9, Measurement(0.996))]
    late = [
        entry(9, Measurement(0.996)),
        entry(0, Start("bucket"), typed=9),
        entry(7, Racking("carboy"), typed=10),
    ]

    assert [e.at_ms for e in fold(late).lots["elder"].entries] == [
        e.at_ms for e in fold(at_once).lots["elder"].entries
    ]
    assert fold(late).lots["elder"].stays == fold(at_once).lots["elder"].stays


def test_an_undone_entry_holds_no_more_and_a_corrected_one_holds_as_corrected() -> None:
    start = entry(0, Start("bucket"))
    racked = entry(7, Racking("carboy"), undone_ms=8 * DAY_MS)
    wrong = entry(2, Measurement(1.200))
    right = entry(2, Measurement(1.020), typed=3, replaces=wrong.id)
    right = Entry("right", right.lot, right.at_ms, right.recorded_ms, right.what, replaces=wrong.id)

    history = cellar(start, racked, wrong, right).lots["elder"]

    assert history.vessel == "bucket"
    assert history.last_measurement() == (2 * DAY_MS, Measurement(1.020))


def test_an_undone_correction_lets_the_first_version_hold_again() -> None:
    first = entry(2, Measurement(1.030))
    correction = Entry(
        "c", "elder", 2 * DAY_MS, 3 * DAY_MS, Measurement(1.020), replaces=first.id, undone_ms=4 * DAY_MS
    )

    history = cellar(entry(0, Start("bucket")), first, correction).lots["elder"]

    assert history.last_measurement() == (2 * DAY_MS, Measurement(1.030))


def test_volume_follows_what_was_written_down() -> None:
    history = cellar(
        entry(0, Start("bucket", litres=23.0)),
        entry(7, Racking("carboy", lees_litres=1.5)),
        entry(8, Addition("wine", 1.0, "L", litres=1.0)),
    ).lots["elder"]

    assert history.litres == 22.5


def test_re_anchorings_are_kept_by_sensor_in_time_order() -> None:
    history = cellar(
        entry(0, Start("bucket")), entry(9, Reanchor("float", -0.002)), entry(5, Reanchor("float", 0.001))
    )

    assert history.offsets["float"] == ((5 * DAY_MS, 0.001), (9 * DAY_MS, -0.002))
