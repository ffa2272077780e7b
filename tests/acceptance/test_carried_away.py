"""The whole book and the stock carried away by command, and taken over by another cellar: to the last entry."""

import csv
import io
import json
import shlex
from collections.abc import Callable

from daemons import Daemon

CELLAR = """
[cellar]
timezone = "UTC"
[[vessel]]
name = "bucket"
kind = "bucket"
litres = 30
[[vessel]]
name = "carboy"
kind = "carboy"
litres = 23
"""


def two_lots(daemon: Daemon) -> None:
    """Write a book of two lots with everything that an entry can be: corrected, undone, overruled, of no lot."""
    for words in (
        'start red --vessel carboy --gravity 1.090 --celsius 20 --litres 21 --at "2026-02-01 10:00"',
        'start white --vessel bucket --gravity 1.085 --celsius 18 --litres 25 --at "2026-02-02 10:00"',
        'measure red --gravity 0.994 --celsius 20 --at "2026-03-20 10:00"',
        'measure red --gravity 0.994 --celsius 20 --at "2026-04-01 10:00"',
        'note white "=1+1, said the cat" --at "2026-04-02 10:00"',
        'bottle red 26 --closure cork --drink-from 2027-01-01 --at "2026-04-01 11:00"',
        'bottle white 30 --at "2026-04-03 11:00" --despite "it goes into a keg, truly"',
    ):
        daemon.done("record", *shlex.split(words))
    daemon.done("record", "undo", "white")
    entry = next(e for e in daemon.json("book", "red")["entries"] if e["kind"] == "bottle")["id"]
    daemon.done("record", "correct", entry, "bottles=25")
    daemon.done("stock", "--open", entry, "--note", "ripe")
    daemon.done("remind", "taste it", "--lot", "red", "--on", "2027-01-01", "--every", "6 weeks")
    daemon.done("remind", "order corks", "--on", "2027-01-01")


def test_a_whole_book_is_the_same_in_another_cellar(daemon_with: Callable[[str], Daemon]) -> None:
    here, there = daemon_with(CELLAR), daemon_with(CELLAR)
    two_lots(here)
    file = here.folder / "book.json"
    here.done("export", "--what", "book", "--format", "json", "--out", str(file))

    there.done("book", "--import", str(file))
    carried = json.loads(file.read_text(encoding="utf-8"))
    again = json.loads(there.done("export", "--what", "book", "--format", "json"))
    assert (carried["format"], carried["version"]) == ("mustwatch-book", 1)
    assert len(carried["entries"]) == 11
    assert {e["lot"] for e in carried["entries"]} == {"red", "white", "#"}
    assert again["entries"] == carried["entries"]
    assert [(w["lot"], w["left"]) for w in again["stock"]["wines"]] == [("red", 24)]
    assert again["stock"]["bottlings"] == carried["stock"]["bottlings"]
    assert there.json("due", "--all")["due"] == here.json("due", "--all")["due"]

    there.done("book", "--import", str(file))  # once more adds nothing
    assert (
        json.loads(there.done("export", "--what", "book", "--format", "json"))["entries"]
        == carried["entries"]
    )


def test_csv_has_a_row_for_each_entry_and_bottling_and_runs_nothing(
    daemon_with: Callable[[str], Daemon],
) -> None:
    daemon = daemon_with(CELLAR)
    two_lots(daemon)

    entries = list(csv.DictReader(io.StringIO(daemon.done("export", "--what", "book"))))
    assert len(entries) == 11
    assert [e["standing"] for e in entries if e["kind"] == "bottle"] == ["replaced", "undone", "holds"]
    (note,) = [e for e in entries if e["kind"] == "note"]
    assert note["words"] == "'=1+1, said the cat"
    assert json.loads(note["fields"]) == {"text": "=1+1, said the cat"}
    (bottling,) = csv.DictReader(io.StringIO(daemon.done("export", "--what", "stock")))
    assert (bottling["lot"], bottling["bottles"], bottling["left"], bottling["closure"]) == (
        "red",
        "25",
        "24",
        "cork",
    )


def test_what_is_no_book_is_refused_and_nothing_is_written(daemon_with: Callable[[str], Daemon]) -> None:
    here, there = daemon_with(CELLAR), daemon_with(CELLAR)
    two_lots(here)
    document = json.loads(here.done("export", "--what", "book", "--format", "json"))
    spoilt = [
        ({"version": 2}, "version 2 of the record: expected 1"),
        ({"entries": document["entries"] * 2}, "expected every id once"),
        ({"entries": document["entries"][1:]}, "would have no start"),
        ({"format": "another"}, "expected an object with"),
    ]
    for change, said in spoilt:
        refused = there.command("book", "--import", "-", stdin=json.dumps(document | change))
        assert refused.returncode == 2, change
        assert said in refused.stderr
    assert there.json("book") == []
    wrong = here.command("export", "--what", "stock", "--format", "parquet")
    assert wrong.returncode == 2
    assert "--what stock goes as csv or json, not as parquet" in wrong.stderr
