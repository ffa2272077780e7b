"""Where the book has a sensor: it goes along, it is out after the bottling, it comes back with the next lot."""

from mustwatch.cellar.book import Bottling, Entry, Move, Racking, Reanchor, Start, What
from mustwatch.cellar.hearing import heard_otherwise, put_in, said_of_sensors
from mustwatch.cellar.history import BEGINNING_MS, CellarHistory, SensorStay, fold
from mustwatch.cellar.instant import DAY_MS
from mustwatch.cellar.sensor import Sensor, SensorKind

BEGAN = 1_790_000_000_000
FLOAT = Sensor("float-1", SensorKind.FLOAT, "senml", vessel="bucket")
PROBE = Sensor("probe-1", SensorKind.PROBE, "senml", vessel="bucket")
ROOM = Sensor("room", SensorKind.PROBE, "senml", room=True)
SENSORS = {s.id: s for s in (FLOAT, PROBE, ROOM)}
CONFIGURED = [SensorStay("float-1", "bucket", BEGINNING_MS), SensorStay("probe-1", "bucket", BEGINNING_MS)]


def at(day: float) -> int:
    return BEGAN + int(day * DAY_MS)


def entry(day: float, what: What, lot: str = "red") -> Entry:
    return Entry(f"{lot}{day}", lot, at(day), at(day), what)


RACKED = [entry(0, Start("bucket")), entry(6, Racking("carboy", floats=("float-1",)))]
BOTTLED = [*RACKED, entry(60, Bottling(20))]


def history(*entries: Entry) -> CellarHistory:
    return fold(entries, CONFIGURED)


def said(last: Entry, *before: Entry) -> list[str]:
    return list(said_of_sensors(last, history(*before, last), SENSORS))


def test_a_float_that_went_along_is_out_after_the_bottling_and_a_fixed_probe_stays() -> None:
    told = history(*BOTTLED)

    assert told.place("float-1", at(59)).vessel == "carboy"
    assert told.place("float-1", at(60)).vessel is None
    assert told.place("probe-1", at(60)).vessel == "bucket"
    assert history(*RACKED).place("float-1", at(60)).vessel == "carboy"
    moved = history(*BOTTLED, entry(61, Move("float-1", "tank")))
    assert moved.place("float-1", at(62)).vessel == "tank"


def test_the_next_lot_is_given_the_sensors_configured_for_its_vessel_but_no_other_lots() -> None:
    assert put_in("bucket", history(*BOTTLED), SENSORS, at(70)) == ("float-1",)
    assert put_in("bucket", history(*RACKED), SENSORS, at(70)) == ()
    assert put_in("bucket", history(), SENSORS, at(70)) == ()
    begun = history(*BOTTLED, entry(70, Start("bucket", floats=("float-1",)), "plum"))
    assert begun.place("float-1", at(70)).lot == "plum"
    assert begun.place("float-1", at(59)).lot == "red"


def test_a_start_says_who_hears_the_lot_and_where_the_others_are_booked() -> None:
    assert said(entry(70, Start("bucket"), "plum"), *RACKED) == [
        "Heard by probe-1",
        "The book has float-1 in carboy with 'red': if it is in bucket, write: "
        "mustwatch record move 'float-1' --to 'bucket'",
    ]
    with_float = entry(70, Start("bucket", floats=("float-1",)), "plum")
    assert said(with_float, *BOTTLED) == ["Heard by float-1 and probe-1"]
    assert said(entry(70, Start("tank"), "plum"), *BOTTLED)[0].startswith("No sensor hears it: dip")
    assert (
        list(said_of_sensors(entry(0, Start("bucket")), history(entry(0, Start("bucket"))), {"room": ROOM}))
        == []
    )


def test_a_racking_says_which_sensors_stayed_behind() -> None:
    lines = said(entry(6, Racking("carboy")), entry(0, Start("bucket")))

    assert lines[0].startswith("No sensor hears it")
    assert (
        "Left in bucket: float-1; if it went along, write: mustwatch record move 'float-1' --to 'carboy'"
        in lines
    )


def test_a_float_put_in_with_another_lot_changes_what_both_heard_from_then_on() -> None:
    before = history(*RACKED, entry(0, Start("tank"), "plum"))
    moved = history(*RACKED, entry(0, Start("tank"), "plum"), entry(9, Move("float-1", "tank"), "plum"))

    assert heard_otherwise(before, moved) == {"red": at(9), "plum": at(9)}
    assert heard_otherwise(moved, before) == {"red": at(9), "plum": at(9)}
    assert heard_otherwise(before, before) == {}


def test_a_re_anchoring_changes_what_every_later_lot_hears_of_that_float() -> None:
    both = [*BOTTLED, entry(70, Start("bucket", floats=("float-1",)), "plum")]
    before, after = history(*both), history(*both, entry(50, Reanchor("float-1", 0.01)))

    assert heard_otherwise(before, after) == {"red": at(50), "plum": at(70)}
