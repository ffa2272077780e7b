"""A kit wine from pitch to 28 bottles, by commands only, with a float that goes along; and its record on paper.

The curve is invented (1.050, through 1.010 after four days, 0.995 in the end); the order of the work is a kit's
ordinary one (common practice, no source).
"""

import json
import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from book_cellar import FLOAT, BookCellar, float_readings, kit_gravity

RACKED = 4.3


@pytest.fixture(scope="module")
def cellar(tmp_path_factory: pytest.TempPathFactory) -> BookCellar:
    """The lot, lived through; every command is checked to have done what it should."""
    made = BookCellar(tmp_path_factory.mktemp("kit"), days_ago=60, sensors=FLOAT)
    said = made.do(
        "record", "start", "kit", "--vessel", "bucket", "--profile", "kit", "--gravity", "1.049", "--celsius", "23C",
        "--litres", "23L", "--must", "red kit <b>with</b> skins", "--yeast", "the kit's sachet", day=0,
    )  # fmt: skip
    assert "gravity 1.0497 (1.0490 as read), 23.0 °C" in said
    assert "once racking is due" in said
    made.hear(float_readings(kit_gravity, 20, out_of_the_wine=(RACKED, RACKED + 0.04)))
    said = made.do("record", "rack", "kit", "--to", "carboy", "--lees", "1L", day=RACKED)
    assert "(from the sensors)" in said
    assert "float-1 went along" in said
    assert "a full glass vessel is heavy and breaks" in said
    said = made.do("record", "measure", "kit", "--gravity", "0.9950", "--celsius", "20", day=12)
    assert re.search(r"float-1 says 0\.99\d\d: they agree", said)
    assert "Next: Stir the gas out" in said
    made.do("record", "note", "kit", "stirred until flat", "--step", "degas", day=12.1)
    said = made.do("record", "add", "kit", "potassium sorbate", "4.6g", "--why", "the kit's sachet", day=12.2)
    assert "sulfite dust and gas hurt lungs" in said
    made.do("record", "add", "kit", "potassium metabisulfite", "1.2g", day=12.25)
    made.do("record", "add", "kit", "finings", "50 mL", day=12.3)
    made.do("record", "rack", "kit", "--to", "carboy-2", "--lees", "0.5", day=28)
    made.do("record", "taste", "kit", "clear, cherry, a little sharp", day=40)
    early = made.run("record", "bottle", "kit", "28", day=55)
    assert early.code == 1
    assert "the last one is 43 days old" in early.err
    made.do("record", "measure", "kit", "--gravity", "0.995", "--celsius", "20", day=55)
    assert "28 bottles of 750 mL (21 L)" in made.do("record", "bottle", "kit", "28", day=55.1)
    return made


def test_every_vessel_is_empty_again_and_the_lot_is_bottled(cellar: BookCellar) -> None:
    document = cellar.json("cellar")

    assert [v["lot"] for v in document["vessels"]] == [None] * 4
    assert cellar.json("book")[0] == {"lot": "kit", "stage": "bottled", "vessel": None}


def test_racking_and_finishing_were_told_once_each_in_spite_of_the_racking_itself(cellar: BookCellar) -> None:
    alerts = [a for a in cellar.json("alerts", "--all") if not a["withdrawn"]]

    assert sorted(a["kind"] for a in alerts) == ["finished", "rack-due"]


def test_the_record_tells_the_whole_story_in_order(cellar: BookCellar) -> None:
    record = cellar.json("book", "kit")

    assert [e["kind"] for e in record["entries"]] == [
        "start", "rack", "measure", "note", "add", "add", "add", "rack", "taste", "measure", "bottle",
    ]  # fmt: skip
    assert [t["kind"] for t in record["told"]] == ["rack-due", "finished"]
    assert record["bottles"] == [{"bottles": 28, "bottle_ml": 750.0}]
    assert (record["starting_gravity"], record["final_gravity"]) == (pytest.approx(1.0497, abs=1e-4), 0.995)
    assert {a["what"]: a["amount"] for a in record["additions"]}["potassium metabisulfite"] == 1.2
    # 131.25 x 0.0547 = 7.2 % vol (trade rule), 16.83 g/L per % vol a little less: the range holds both.
    low, high = record["abv_range_percent"]
    assert low < record["abv_percent"] < high
    assert low < 131.25 * (1.0497 - 0.995) < high
    racked = record["entries"][1]
    assert racked["from_sensors"] is True
    assert racked["gravity"] == pytest.approx(kit_gravity(RACKED), abs=0.002)
    assert len(record["curve"]["gravity"]) > 100


def test_the_terminal_shows_entries_and_findings_in_one_timeline(cellar: BookCellar) -> None:
    lines = cellar.do("book", "kit").splitlines()

    story = [line for line in lines if re.match(r"\w{3} \d{1,2} \w{3} \d{4}", line)]
    assert len(story) == 13
    assert ["······" in line for line in story].count(True) == 2
    assert "Ready to rack" in story[1]


class _Tags(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.links: list[str] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.links += [value or "" for name, value in attrs if name in ("href", "src", "onload", "onclick")]

    def handle_data(self, data: str) -> None:
        self.text += data


def test_the_printed_page_stands_alone_and_escapes_what_people_wrote(
    cellar: BookCellar, tmp_path: Path
) -> None:
    page = tmp_path / "kit.html"

    cellar.do("book", "kit", "--html", str(page))

    html = page.read_text(encoding="utf-8")
    read = _Tags()
    read.feed(html)
    assert "script" not in read.tags
    assert read.links == []
    assert "@import" not in html
    assert "url(" not in html
    assert "red kit <b>with</b> skins" in read.text
    assert "28 × 750 mL" in read.text
    assert "contains sulfites" in read.text
    assert {"R1", "R2", "B"} <= set(re.findall(r">(R\d|B)</text>", html))
    assert html.count('class="check"') == 3
    assert "@page { size: A4" in html


def test_the_record_travels_to_another_machine_and_back_the_same(cellar: BookCellar, tmp_path: Path) -> None:
    file = tmp_path / "kit.json"
    file.write_text(cellar.do("book", "kit", "--json"), encoding="utf-8")
    other = BookCellar(tmp_path / "other")

    assert "11 entries taken over" in other.do("book", "--import", str(file))

    there, here = other.json("book", "kit"), json.loads(file.read_text(encoding="utf-8"))
    assert there["entries"] == here["entries"]
    # Findings stay with the readings they came from; what people did tells the rest again.
    assert all(there[key] == here[key] for key in ("bottles", "additions", "final_gravity", "abv_percent"))
    assert [span["stage"] for span in here["stages"]] == [
        "primary",
        "secondary",
        "clearing",
        "maturing",
        "bottled",
    ]
    assert "0 entries taken over, 11 were here already" in other.do("book", "--import", str(file))


def spoilt(document: dict[str, Any], **changes: object) -> str:
    return json.dumps({**document, **changes})


def test_a_file_that_is_no_record_is_refused_and_nothing_is_taken(cellar: BookCellar, tmp_path: Path) -> None:
    good = json.loads(cellar.do("book", "kit", "--json"))
    entry = good["entries"][2]
    other = BookCellar(tmp_path / "other")
    for text, words in (
        ("not json", "not JSON"),
        ("[]", "not a cellar record"),
        (spoilt(good, version=2), "version 2 of the record: expected 1"),
        (spoilt(good, entries=[]), "expected a list of 1 to"),
        (spoilt(good, entries=[{**entry, "gravity": 105.0}]), "entry 1 of 1: gravity 105"),
        (spoilt(good, entries=[{**entry, "colour": "red"}]), "unknown key 'colour'"),
        (spoilt(good, entries=[entry, entry]), "expected every id once"),
        (spoilt(good, entries=[entry]), "would have no start"),
    ):
        file = tmp_path / "bad.json"
        file.write_text(text, encoding="utf-8")

        done = other.run("book", "--import", str(file))

        assert done.code == 2
        assert words in done.err
        assert len(done.err.strip().splitlines()) == 1
    assert other.do("book").startswith("The book is empty")


def test_a_record_that_is_here_already_is_not_taken_over_again_under_another_name(
    cellar: BookCellar, tmp_path: Path
) -> None:
    file = tmp_path / "kit.json"
    file.write_text(cellar.do("book", "kit", "--json"), encoding="utf-8")

    done = cellar.run("book", "again", "--import", str(file))

    assert done.code == 2
    assert "in the book already, as lot 'kit'" in done.err
    assert len(done.err.strip().splitlines()) == 1
    assert cellar.json("book", "kit") == json.loads(file.read_text(encoding="utf-8"))


def test_two_machines_that_wrote_in_one_record_are_merged_and_nothing_is_lost(tmp_path: Path) -> None:
    here, there = BookCellar(tmp_path / "here"), BookCellar(tmp_path / "there")
    file = tmp_path / "plum.json"
    here.do("record", "start", "plum", "--vessel", "bucket", "--gravity", "1.080", "--celsius", "20", day=0)
    here.do("record", "note", "plum", "a slip", day=1)
    file.write_text(here.do("book", "plum", "--json"), encoding="utf-8")
    there.do("book", "--import", str(file))
    there.do("record", "undo", "plum")
    there.do("record", "note", "plum", "written there", day=3)
    here.do("record", "note", "plum", "written here", day=2)
    file.write_text(there.do("book", "plum", "--json"), encoding="utf-8")

    said = here.do("book", "--import", str(file))

    assert "1 entries taken over, 2 were here already" in said
    assert "Undone there, and now here too: 1" in said
    entries = here.json("book", "plum")["entries"]
    assert [(e.get("text"), e["standing"]) for e in entries if e["kind"] == "note"] == [
        ("a slip", "undone"),
        ("written here", "holds"),
        ("written there", "holds"),
    ]
    changed = json.loads(file.read_text(encoding="utf-8"))
    changed["entries"][0]["gravity"] = 1.090
    file.write_text(json.dumps(changed), encoding="utf-8")
    done = here.run("book", "--import", str(file))
    assert done.code == 2
    assert "says something else there" in done.err
    assert here.json("book", "plum")["starting_gravity"] == 1.08
