"""A lot without any sensor is fully served: checks by hand, the same findings, reminders to dip, the same gates."""

import json
import os
import subprocess
import tomllib
from datetime import UTC, datetime
from pathlib import Path

import pytest

from book_cellar import FLOAT, BookCellar, float_readings, kit_gravity
from mustwatch.app.web_backend import StoreHand
from mustwatch.cellar.instant import to_ms
from mustwatch.config.settings import Settings
from mustwatch.store.store import Store


def test_a_country_wine_by_hand_from_fruit_to_bottles(tmp_path: Path) -> None:
    cellar = BookCellar(tmp_path, days_ago=100)

    cellar.do(
        "record", "start", "plum", "--vessel", "bucket", "--profile", "country", "--gravity", "1.070",
        "--celsius", "20", "--litres", "20", "--must", "plums", day=0,
    )  # fmt: skip
    row = next(v for v in cellar.json("cellar")["vessels"] if v["lot"] == "plum")
    assert "Dip the hydrometer" in row["remember"][0]["do"]
    # Sugar in steps: the gravity rises, and that is no fault because the book says why.
    cellar.do("record", "measure", "plum", "--gravity", "1.050", "--celsius", "20", day=2)
    cellar.do("record", "add", "plum", "sugar", "1kg", "--why", "second half", day=2.1)
    cellar.do("record", "measure", "plum", "--gravity", "1.068", "--celsius", "20", day=2.2)
    for day, gravity in ((5, "1.035"), (7, "1.020")):
        cellar.do("record", "measure", "plum", "--gravity", gravity, "--celsius", "20", day=day)
    said = cellar.do("record", "rack", "plum", "--to", "carboy", "--litres", "18", day=7.1)
    assert "gravity" not in said.splitlines()[0]
    for day, gravity in ((12, "1.005"), (18, "0.998"), (25, "0.995")):
        cellar.do("record", "measure", "plum", "--gravity", gravity, "--celsius", "20", day=day)

    too_early = cellar.run("record", "bottle", "plum", "23", day=25.1)
    assert too_early.code == 1
    assert "two equal checks 48 hours apart at 0.998 or below" in too_early.err

    cellar.do("record", "measure", "plum", "--gravity", "0.995", "--celsius", "20", day=28)
    assert "finished" in [a["kind"] for a in cellar.json("alerts")]
    cellar.do("record", "rack", "plum", "--to", "carboy-2", "--lees", "0.5", day=50)
    cellar.do("record", "measure", "plum", "--gravity", "0.9945", "--celsius", "20", day=95)
    cellar.do("record", "bottle", "plum", "20", day=95.1)
    cellar.do("record", "bottle", "plum", "5", "--bottle-ml", "375", day=95.2)

    record = cellar.json("book", "plum")
    assert record["bottles"] == [{"bottles": 20, "bottle_ml": 750.0}, {"bottles": 5, "bottle_ml": 375.0}]
    # 20 L of 1.070 weigh 21.362 kg; with 1 kg in 20 + 0.62 L (ICUMSA) that is 22.362 / 20.62 / 0.9982.
    assert abs(record["effective_starting_gravity"] - 1.0864) < 0.0005
    assert record["final_gravity"] == 0.9945


def test_yesterday_evenings_check_is_entered_today_with_an_fahrenheit_thermometer(tmp_path: Path) -> None:
    cellar = BookCellar(tmp_path, days_ago=5)
    cellar.do(
        "record", "start", "apple", "--vessel", "bucket", "--gravity", "13Bx", "--celsius", "68F", day=0
    )

    cellar.do(
        "record", "measure", "apple", "--gravity", "1.040", "--celsius", "68F", "--at", "yesterday 18:30"
    )

    start, check = cellar.json("book", "apple")["entries"]
    assert start["gravity"] == pytest.approx(1.0526, abs=3e-4), (
        "13 °Bx: ICUMSA has 12.5 at 1.05043, 15 at 1.06107"
    )
    assert check["temperature_c"] == 20.0
    assert check["gravity"] == 1.04
    # 18:30 in Vienna is 16:30 or 17:30 UTC, as the season has it.
    assert check["at"][11:16] in ("16:30", "17:30")


def test_a_hydrometer_made_for_60_fahrenheit_is_corrected_to_20_over_20(tmp_path: Path) -> None:
    """1.090 read at 20 °C on a 60 °F scale is 1.09088 by the water ratio (recomputed with CIPM density)."""
    cellar = BookCellar(tmp_path, days_ago=1)

    cellar.do(
        "record", "start", "grape", "--vessel", "bucket", "--gravity", "1.090", "--celsius", "20",
        "--calibrated-at", "60F", day=0,
    )  # fmt: skip

    entry = cellar.json("book", "grape")["entries"][0]
    assert abs(entry["gravity"] - 1.09088) < 2e-5
    assert entry["gravity_as_read"] == 1.09


def test_second_thoughts_never_lose_the_first_version(tmp_path: Path) -> None:
    cellar = BookCellar(tmp_path, days_ago=5)
    cellar.do("record", "start", "kit", "--vessel", "bucket", "--gravity", "1.050", "--celsius", "20", day=0)
    entry = json.loads(
        cellar.do("record", "measure", "kit", "--gravity", "1.032", "--celsius", "20", "--json", day=2)
    )

    said = cellar.do(
        "record", "correct", entry["entry"]["id"][:6], "gravity=1.023", "celsius=25", "at=2d ago"
    )

    assert "Before: " in said
    standing = [(e["kind"], e["standing"], e.get("gravity")) for e in cellar.json("book", "kit")["entries"]]
    # 1.023 read at 25 °C is 1.0242 at 20/20: 0.99821 / 0.99705 = 1.00116 by CIPM water densities.
    assert ("measure", "replaced", 1.032) in standing
    assert any(s == "holds" and g is not None and abs(g - 1.0242) < 1e-4 for _, s, g in standing)
    assert "In force again" in cellar.do("record", "undo", "kit")
    checks = [
        (e["standing"], e.get("gravity"))
        for e in cellar.json("book", "kit")["entries"]
        if e["kind"] == "measure"
    ]
    assert ("holds", 1.032) in checks
    assert [s for s, _ in checks].count("undone") == 1
    assert "[undone]" in cellar.do("book", "kit")


def test_undoing_a_racking_is_refused_once_the_vessel_it_left_is_used_again(tmp_path: Path) -> None:
    cellar = BookCellar(tmp_path, days_ago=20)
    cellar.do("record", "start", "first", "--vessel", "bucket", day=0)
    racked = json.loads(cellar.do("record", "rack", "first", "--to", "carboy", "--json", day=5))
    cellar.do("record", "start", "second", "--vessel", "bucket", day=6)

    undone = cellar.run("record", "undo", "--id", racked["entry"]["id"])

    assert undone.code == 2
    assert "bucket would hold" in undone.err
    assert next(v for v in cellar.json("cellar")["vessels"] if v["vessel"] == "carboy")["lot"] == "first"


def test_undoing_a_start_is_refused_while_later_entries_stand(tmp_path: Path) -> None:
    cellar = BookCellar(tmp_path, days_ago=20)
    start = json.loads(cellar.do("record", "start", "first", "--vessel", "bucket", "--json", day=0))
    cellar.do("record", "note", "first", "smells of bread", day=1)

    assert "would have no start" in cellar.run("record", "undo", "--id", start["entry"]["id"]).err


def test_bad_input_is_one_clear_line_with_the_command_that_mends_it_and_changes_nothing(
    tmp_path: Path,
) -> None:
    cellar = BookCellar(tmp_path, days_ago=20)
    cellar.do("record", "start", "kit", "--vessel", "bucket", "--gravity", "1.050", "--litres", "23", day=0)
    cellar.do("record", "start", "apple", "--vessel", "carboy", day=0)
    before = cellar.do("book", "kit", "--json")
    for words, said in (
        (("rack", "kit", "--to", "carboy"), "carboy holds lot 'apple'"),
        (("rack", "kit", "--to", "demijohn"), "demijohn holds 5 L, too small for 23 L"),
        (("rack", "kit", "--to", "carboy-2", "--from", "carboy-2"), "carboy-2 is empty"),
        (("rack", "kit", "--to", "barrel"), 'name = "barrel"'),
        (("start", "kit", "--vessel", "demijohn"), "has been in the book since"),
        (("start", "new", "--vessel", "demijohn", "--profile", "sherry"), "expected one of cider, country"),
        (("measure", "kit", "--gravity", "105", "--celsius", "20"), "did you mean 1.050?"),
        (("measure", "kit", "--gravity", "1.060", "--celsius", "20"), "gravity would rise from 1.050"),
        (
            ("measure", "kot", "--gravity", "1.040", "--celsius", "20"),
            "lot 'kot' is not in the book: did you mean 'kit'?",
        ),
        (("measure", "kit"), "nothing measured"),
        (("measure", "kit", "--ph", "34"), "pH 34"),
        (("bottle", "kit", "28", "--at", "2020-01-01"), "is before lot 'kit' began"),
        (("note", "kit", "x", "--at", "tomorrow"), "expected 18:30, yesterday 18:30"),
        (("note", "kit", "x", "--step", "nothing"), "expected one of see-it-start"),
        (("move", "float-9", "--to", "bucket"), "sensor 'float-9' is not in the configuration"),
    ):
        done = cellar.run("record", *words)
        assert done.code == 2, (words, done)
        assert said in done.err, (words, done)
        assert done.out == "", (words, done)

    assert cellar.do("book", "kit", "--json") == before


def test_the_command_that_adds_a_missing_vessel_does_add_it(tmp_path: Path) -> None:
    cellar = BookCellar(tmp_path, days_ago=20)

    refused = cellar.run("record", "start", "kit", "--vessel", "barrel 2", day=0)
    command = refused.err.split("To add it (with its own kind and litres):")[1].strip()
    subprocess.run(["sh", "-c", command], check=True, env={"PATH": os.environ["PATH"]})

    assert "began in barrel 2" in cellar.do("record", "start", "kit", "--vessel", "barrel 2", day=0)


def test_a_check_typed_into_the_wrong_lot_is_doubted_by_the_book_and_by_the_float(tmp_path: Path) -> None:
    cellar = BookCellar(tmp_path, days_ago=10, sensors=FLOAT)
    cellar.do("record", "start", "red", "--vessel", "bucket", "--gravity", "1.080", "--celsius", "20", day=0)
    cellar.hear((day, 1.080 - 0.001 * day, celsius) for day, _, celsius in float_readings(kit_gravity, 5))
    check = ("record", "measure", "red", "--gravity", "0.995", "--celsius", "20")

    too_fast = cellar.run(*check, day=1)
    beside_the_float = cellar.run(*check, day=4.9)

    assert (too_fast.code, beside_the_float.code) == (2, 2)
    assert "more than the fastest must does" in too_fast.err
    assert "below what the float says of 'red' (1.075)" in beside_the_float.err
    assert [e["kind"] for e in cellar.json("book", "red")["entries"]] == ["start"]
    cellar.do(*check, "--despite", "the float hangs on the lid", day=4.9)
    assert cellar.json("book", "red")["entries"][-1]["despite"] == "the float hangs on the lid"


@pytest.mark.parametrize("vessel", ["O'Brien", 'the "big" one', "Fass\\1"])
def test_the_advice_on_a_new_vessel_can_be_run_as_it_stands_whatever_its_name(
    tmp_path: Path, vessel: str
) -> None:
    cellar = BookCellar(tmp_path)
    begin = ("record", "start", "kit", "--vessel", vessel, "--litres", "20")

    refused = cellar.run(*begin)

    assert refused.code == 2
    advice = refused.err.split("To add it (with its own kind and litres):\n")[1].splitlines()[0]
    subprocess.run(["sh", "-c", advice], check=True)
    cellar.do(*begin)
    rows = cellar.json("cellar")["vessels"]
    assert [(r["vessel"], r["lot"]) for r in rows if r["lot"]] == [(vessel, "kit")]


def test_a_lot_mistyped_is_answered_with_its_name_by_the_book_too(tmp_path: Path) -> None:
    cellar = BookCellar(tmp_path)
    cellar.do("record", "start", "Hillside red", "--vessel", "bucket")

    asked = cellar.run("book", "hillside red")

    assert (asked.code, asked.err.strip()) == (
        2,
        "mustwatch: lot 'hillside red' is not in the book: did you mean 'Hillside red'?",
    )


def test_alcohol_is_one_figure_in_command_book_print_and_api(tmp_path: Path) -> None:
    """By hand: 1.092 to 0.993 is 12.7 % vol; 150 g of sugar take up 0.093 L: 12.7 * 3.8 / 3.893 = 12.4."""
    cellar = BookCellar(tmp_path, days_ago=40)
    begin = ("record", "start", "plum", "--vessel", "demijohn", "--gravity", "1.092", "--celsius", "20")
    cellar.do(*begin, "--litres", "3.8", day=0)
    for day in (20, 23):
        cellar.do("record", "measure", "plum", "--gravity", "0.993", "--celsius", "20", day=day)
    cellar.do("record", "add", "plum", "potassium sorbate", "1g", day=24)
    cellar.do("record", "add", "plum", "sugar", "150g", "--why", "to sweeten", day=25)
    cellar.do("record", "start", "fed", "--vessel", "bucket", "--gravity", "1.050", "--litres", "20", day=0)
    cellar.do("record", "add", "fed", "sugar", "2kg", day=0.1)

    book = cellar.json("book", "plum")["abv_percent"]
    rows = {r["lot"]: r["abv_percent"] for r in cellar.json("cellar")["vessels"] if r["lot"]}

    assert book == pytest.approx(12.4, abs=0.15)
    assert rows == {"plum": round(book, 1), "fed": 0.0}
    assert cellar.json("book", "fed")["abv_percent"] == 0.0
    assert f"about {book:.1f} % vol" in cellar.do("book", "plum")
    assert f"about {book:.1f} % vol" in cellar.do("book", "plum", "--html", "-")
    settings = Settings(**tomllib.loads(cellar.config.read_text("utf-8")))
    store = Store(settings.store.path, to_ms(datetime.now(UTC)))
    hand = StoreHand(store, settings, now_ms=lambda: to_ms(datetime.now(UTC)))
    try:
        assert {name: hand.lot(name)["abv_percent"] for name in rows} == rows
    finally:
        hand.close()
        store.close()


def test_a_wine_racked_twice_in_the_ferment_is_in_its_secondary_in_cellar_and_book(tmp_path: Path) -> None:
    cellar = BookCellar(tmp_path, days_ago=6.1, sensors=FLOAT)
    begin = ("record", "start", "red", "--vessel", "bucket", "--gravity", "1.050", "--celsius", "20")
    cellar.do(*begin, "--litres", "20", day=0)
    cellar.hear((day, 1.050 - 0.008 * day, celsius) for day, _, celsius in float_readings(kit_gravity, 6))

    cellar.do("record", "rack", "red", "--to", "carboy", day=5)
    cellar.do("record", "rack", "red", "--to", "carboy-2", day=5.5)

    (row,) = [r for r in cellar.json("cellar")["vessels"] if r["lot"]]
    assert row["rate_per_day"] < -0.004
    assert row["stage"] == "secondary"
    assert cellar.json("book", "red")["stage"] == "secondary"


def test_the_next_lot_in_the_floats_vessel_is_heard_from_its_first_reading(tmp_path: Path) -> None:
    """The float went along to the carboy, the wine was bottled, and the float lies in the bucket of the next lot."""
    cellar = BookCellar(tmp_path, days_ago=40, sensors=FLOAT)
    begin = ("record", "start", "--vessel", "bucket", "--gravity", "1.050", "--celsius", "20")
    assert "Heard by float-1" in cellar.do(*begin, "red", day=0)
    said = cellar.do("record", "rack", "red", "--to", "carboy", day=6)
    assert "Heard by float-1" in said
    cellar.do("record", "bottle", "red", "20", "--despite", "for the test", day=20)

    said = cellar.do(*begin, "plum", day=30)
    cellar.hear((30 + day, gravity, celsius) for day, gravity, celsius in float_readings(kit_gravity, 2))

    assert "Heard by float-1" in said
    (row,) = [r for r in cellar.json("cellar")["vessels"] if r["lot"]]
    assert row["lot"] == "plum"
    assert row["rate_per_day"] is not None
    assert row["rate_per_day"] < 0


def test_a_lot_that_begins_while_its_float_is_booked_elsewhere_is_told_so(tmp_path: Path) -> None:
    cellar = BookCellar(tmp_path, days_ago=40, sensors=FLOAT)
    begin = ("record", "start", "--vessel", "bucket", "--gravity", "1.050", "--celsius", "20")
    cellar.do(*begin, "red", day=0)
    cellar.do("record", "rack", "red", "--to", "carboy", day=6)

    said = cellar.do(*begin, "plum", day=7)

    assert "No sensor hears it" in said
    advice = "mustwatch record move 'float-1' --to 'bucket'"
    assert f"The book has float-1 in carboy with 'red': if it is in bucket, write: {advice}" in said
    cellar.do("record", "move", "float-1", "--to", "bucket", day=7)
    assert cellar.json("book", "red")["stage"] == "secondary"


def test_a_float_that_reads_a_ferment_where_no_lot_is_asks_whether_to_begin_one(tmp_path: Path) -> None:
    fermenting, on_a_shelf = (
        BookCellar(tmp_path / "a", days_ago=2, sensors=FLOAT),
        BookCellar(tmp_path / "b", days_ago=2, sensors=FLOAT),
    )
    fermenting.hear((day, 1.056 - 0.015 * day, celsius) for day, _, celsius in float_readings(kit_gravity, 2))
    on_a_shelf.hear((day, 1.056, 20.0) for day, _, _ in float_readings(kit_gravity, 2))

    (said,) = fermenting.json("cellar")["cautions"]

    assert said.startswith("float-1 reads 1.02")
    assert "and falling in bucket, where the book has no lot: begin one?" in said
    assert on_a_shelf.json("cellar")["cautions"] == []
    fermenting.do("record", "start", "plum", "--vessel", "bucket", day=0)
    assert not any("no lot" in caution for caution in fermenting.json("cellar")["cautions"])


def test_a_second_start_under_the_same_name_but_for_case_is_asked_about(tmp_path: Path) -> None:
    cellar = BookCellar(tmp_path, days_ago=3)
    cellar.do("record", "start", "Hillside red", "--vessel", "bucket", day=0)
    twin = ("record", "start", "hillside red", "--vessel", "carboy")

    refused = cellar.run(*twin, day=1)

    assert refused.code == 2
    assert "did you mean that one?" in refused.err
    assert "'Hillside red'" in refused.err
    assert [lot["lot"] for lot in cellar.json("book")] == ["Hillside red"]
    cellar.do(*twin, "--despite", "two pickings of one hill", day=1)
    assert [lot["lot"] for lot in cellar.json("book")] == ["Hillside red", "hillside red"]
