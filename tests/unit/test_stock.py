"""The stock of bottles adds up to the bottle: what was filled, less what was opened, given away and lost."""

import re
from dataclasses import replace

import pytest

from mustwatch.cellar.book import BottleFate, BottlesTaken, Bottling, Entry, Start, What
from mustwatch.cellar.consistency import broken_by
from mustwatch.cellar.instant import DAY_MS
from mustwatch.cellar.stock import StockRow, stock

BEGAN = 1_790_000_000_000


def entry(day: float, what: What, name: str, lot: str = "red", replaces: str | None = None) -> Entry:
    at_ms = BEGAN + int(day * DAY_MS)
    return Entry(name, lot, at_ms, at_ms, what, replaces=replaces)


START = entry(0, Start("bucket", gravity=1.090, litres=22.0), "s")
LARGE, SMALL = entry(60, Bottling(20), "large"), entry(60.1, Bottling(16, 375.0), "small")
BOOK = [START, LARGE, SMALL]


def taken(
    day: float, name: str, bottling: str = "large", count: int = 1, fate: BottleFate = BottleFate.OPENED
) -> Entry:
    return entry(day, BottlesTaken(bottling, count, fate, "ripe"), name)


def rows(*more: Entry) -> dict[str, StockRow]:
    return {row.id: row for row in stock([*BOOK, *more])}


def test_each_bottling_is_a_row_and_what_is_left_adds_up() -> None:
    found = rows(
        taken(70, "a", count=2),
        taken(71, "b", count=3, fate=BottleFate.GIVEN),
        taken(72, "c", fate=BottleFate.LOST),
        taken(73, "d", "small", 4),
    )

    assert [(row.id, row.left) for row in found.values()] == [("large", 14), ("small", 12)]
    assert [found["large"].count(fate) for fate in BottleFate] == [2, 3, 1]
    assert [noted.text for noted in found["small"].taken] == ["ripe"]


def test_what_was_taken_stays_with_a_bottling_that_is_corrected_twice() -> None:
    once = entry(60, Bottling(21), "large-2", replaces="large")
    twice = entry(60, Bottling(22), "large-3", replaces="large-2")

    assert rows(taken(70, "a", count=2), once, twice)["large"].left == 20
    assert rows(once, taken(70, "a", "large-2", 2), twice)["large"].left == 20
    assert rows(taken(70, "a", count=2), once, twice)["large"].entry.id == "large-3"


def test_what_was_undone_is_back_in_the_stock() -> None:
    undone = replace(taken(70, "a", count=2), undone_ms=BEGAN + 80 * DAY_MS)

    assert rows(undone)["large"].left == 20


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (
            [taken(70, "a", count=15), taken(71, "b", count=6)],
            "of the 20 bottles of 'red' filled .* 21 would be gone",
        ),
        ([taken(59, "a")], "opened .*, before they were filled"),
        ([taken(70, "a", "nothing")], "of a bottling that is not in the book"),
        ([replace(taken(70, "a"), lot="white")], "of a bottling that is not in the book"),
    ],
)
def test_what_the_stock_cannot_be_is_refused(more: list[Entry], said: str) -> None:
    white = entry(0, Start("tank", gravity=1.085), "w", "white")
    refused = broken_by([*BOOK, white], [*BOOK, white, *more])

    assert len(refused) == 1
    assert re.search(said, refused[0].line)


def test_a_bottling_whose_bottles_were_opened_cannot_be_undone_or_made_too_small() -> None:
    opened = taken(70, "a", count=5)
    before = [*BOOK, opened]
    undone = [START, replace(LARGE, undone_ms=BEGAN + 80 * DAY_MS), SMALL, opened]
    smaller = [*before, entry(60, Bottling(4), "large-2", replaces="large")]

    assert "not in the book" in broken_by(before, undone)[0].line
    assert "5 would be gone" in broken_by(before, smaller)[0].line
