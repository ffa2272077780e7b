"""A stuck wine is not bottled by mistake, a float that drifts is put right, and a racked float fools nobody."""

import json
import re
from pathlib import Path

from book_cellar import FLOAT, BookCellar, float_readings, kit_gravity, stuck_gravity


def test_a_stuck_wine_is_neither_stabilised_nor_sweetened_nor_bottled_without_a_reason(
    tmp_path: Path,
) -> None:
    cellar = BookCellar(tmp_path, days_ago=40, sensors=FLOAT)
    cellar.do(
        "record",
        "start",
        "red",
        "--vessel",
        "bucket",
        "--gravity",
        "1.085",
        "--celsius",
        "20",
        "--litres",
        "23",
        day=0,
    )
    cellar.hear(float_readings(stuck_gravity, 16))
    assert "stuck" in [a["kind"] for a in cellar.json("alerts")]
    cellar.do("record", "measure", "red", "--gravity", "1.018", "--celsius", "20", day=15.9)
    before = cellar.do("book", "red", "--json")

    for words in (
        ("bottle", "red", "28"),
        ("add", "red", "potassium sorbate", "5g"),
        ("add", "red", "sugar", "500g", "--why", "to sweeten"),
        ("stage", "red", "bottled"),
    ):
        done = cellar.run("record", *words, day=16)
        assert done.code == 1, (words, done)
        assert "is too early: it is stuck (it is at 1.018)" in done.err
        assert 'If you know better: --despite "reason"' in done.err
    assert cellar.do("book", "red", "--json") == before

    said = cellar.do("record", "bottle", "red", "28", "--despite", "for vinegar, loosely closed", day=16)
    assert "open one each week" in said
    assert cellar.json("book", "red")["entries"][-1]["despite"] == "for vinegar, loosely closed"
    assert "although a rule refused it: for vinegar, loosely closed" in cellar.do("book", "red")


def test_a_float_that_disagrees_is_re_anchored_from_the_check_on_when_the_winemaker_agrees(
    tmp_path: Path,
) -> None:
    cellar = BookCellar(tmp_path, days_ago=40, sensors=FLOAT)
    cellar.do("record", "start", "kit", "--vessel", "bucket", "--gravity", "1.050", "--celsius", "20", day=0)
    shift = 0.010
    cellar.hear((day, gravity + shift, celsius) for day, gravity, celsius in float_readings(kit_gravity, 16))

    said = cellar.do("record", "measure", "kit", "--gravity", "0.995", "--celsius", "20", day=15)
    assert re.search(r"float-1 says 1\.00(4[5-9]|5[0-5])\d?: adrift", said)
    assert "mustwatch record reanchor 'kit' --sensor 'float-1'" in said
    assert "float-adrift" in [a["kind"] for a in cellar.json("alerts")]

    done = json.loads(cellar.do("record", "reanchor", "kit", "--sensor", "float-1", "--json"))
    assert abs(done["entry"]["offset"] + shift) < 0.0006
    assert "float-adrift" not in [a["kind"] for a in cellar.json("alerts")]
    # Before the check the old reading stands; after it the float agrees with the hydrometer.
    assert "they agree" in cellar.do(
        "record", "measure", "kit", "--gravity", "0.995", "--celsius", "20", day=15.5
    )
    curve = cellar.json("book", "kit")["curve"]["gravity"]
    assert abs(curve[-1][1] - 0.995) < 0.001


def test_a_float_that_stays_behind_says_nothing_of_the_wine_that_left(tmp_path: Path) -> None:
    cellar = BookCellar(tmp_path, days_ago=40, sensors=FLOAT)
    cellar.do("record", "start", "kit", "--vessel", "bucket", "--gravity", "1.050", "--celsius", "20", day=0)
    cellar.hear(float_readings(kit_gravity, 4.3))
    cellar.do("record", "rack", "kit", "--to", "carboy", "--no-float", day=4.3)
    cellar.hear((4.4 + i / 96, 1.0, 20.0) for i in range(96 * 3))

    facts = next(v for v in cellar.json("cellar")["vessels"] if v["lot"] == "kit")
    assert facts["observed_at"] < cellar.at(4.4)
    told = {a["kind"] for a in cellar.json("alerts", "--all") if a["lot"] == "kit"}
    assert told <= {"rack-due", "late-onset"}, "water in an empty bucket is no finished wine"


def test_a_sensor_is_moved_by_command_and_its_readings_go_to_the_lot_it_is_with(tmp_path: Path) -> None:
    cellar = BookCellar(tmp_path, days_ago=40, sensors=FLOAT)
    cellar.do("record", "start", "kit", "--vessel", "bucket", "--gravity", "1.050", "--celsius", "20", day=0)
    cellar.do("record", "start", "apple", "--vessel", "carboy", day=0)

    assert "float-1 put into carboy" in cellar.do("record", "move", "float-1", "--to", "carboy", day=1)
    cellar.hear(float_readings(kit_gravity, 3))

    rows = {v["lot"]: v for v in cellar.json("cellar")["vessels"]}
    assert rows["kit"]["observed_at"] <= cellar.at(1.05)
    assert rows["apple"]["observed_at"] > cellar.at(2.5)


def test_sulfite_far_over_the_limit_is_refused_and_taken_only_for_a_reason(tmp_path: Path) -> None:
    cellar = BookCellar(tmp_path, days_ago=1)
    cellar.do(
        "record", "start", "plum", "--vessel", "bucket", "--gravity", "1.080", "--litres", "22.5", day=0
    )
    add = ("record", "add", "plum", "potassium metabisulfite")

    done = cellar.run(*add, "1900g", day=0.1)

    assert done.code == 1
    assert "to 48666 mg/L or more, over the limit of 200 mg/L" in done.err
    assert len(cellar.json("book", "plum")["entries"]) == 1
    cellar.do(*add, "2g", day=0.1)
    cellar.do(*add, "1900g", "--despite", "poured away with it", day=0.2)
    assert [e.get("despite") for e in cellar.json("book", "plum")["entries"]][1:] == [
        None,
        "poured away with it",
    ]


def test_a_sweetened_wine_is_bottled_after_an_honest_check_and_not_without_one(tmp_path: Path) -> None:
    """By hand: (3.8 * 0.995 * 0.9982 + 0.150) / (3.893 * 0.9982) = 1.0099."""
    cellar = BookCellar(tmp_path, days_ago=40)
    begin = ("record", "start", "plum", "--vessel", "demijohn", "--gravity", "1.090", "--celsius", "20")
    check = ("record", "measure", "plum", "--celsius", "20", "--gravity")
    cellar.do(*begin, "--litres", "3.8", day=0)
    for day in (20, 23):
        cellar.do(*check, "0.995", day=day)
    cellar.do("record", "add", "plum", "potassium sorbate", "1g", day=24)
    cellar.do("record", "add", "plum", "sugar", "150g", "--why", "to sweeten", day=25)

    unmeasured = cellar.run("record", "bottle", "plum", "5", day=26)
    cellar.do(*check, "1.010", day=27)
    said = cellar.do("record", "bottle", "plum", "5", day=27.1)

    assert unmeasured.code == 1
    assert "should read about 1.010" in unmeasured.err
    assert "plum" in said


def test_the_list_of_lots_tells_the_stage_that_cellar_and_book_tell(tmp_path: Path) -> None:
    cellar = BookCellar(tmp_path, days_ago=20, sensors=FLOAT)
    cellar.do("record", "start", "kit", "--vessel", "bucket", "--gravity", "1.050", "--celsius", "20", day=0)
    cellar.hear(r for r in float_readings(kit_gravity, 5.0))
    cellar.do("record", "rack", "kit", "--to", "carboy", "--float", "float-1", day=5.0)
    cellar.hear(r for r in float_readings(kit_gravity, 19.0) if r[0] > 5.0)
    assert "finished" in [a["kind"] for a in cellar.json("alerts")]

    row = next(v for v in cellar.json("cellar")["vessels"] if v["lot"] == "kit")

    assert row["stage"] == "clearing"
    assert cellar.json("book", "kit")["stage"] == "clearing"
    assert cellar.json("book") == [{"lot": "kit", "stage": "clearing", "vessel": "carboy"}]
    assert cellar.do("book").startswith("kit: clearing in carboy, begun ")
