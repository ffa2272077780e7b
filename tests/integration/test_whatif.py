"""What if a lot were kept warmer or cooler: command, page and API say the same, in the person's units."""

import json
from collections.abc import Callable
from datetime import datetime
from typing import Any

import pytest
from typer.testing import CliRunner

from mustwatch.cellar.instant import DAY_MS
from mustwatch.cli import opening, whatif
from web_cellar import NOW_MS, Pages

Over = Callable[..., Pages]
KIT = "Garage kit"
PAGE = "/lot/Garage%20kit"
API = "/api/lots/Garage%20kit/whatif"


@pytest.fixture
def typed(pages_over: Over, monkeypatch: pytest.MonkeyPatch) -> Callable[..., Any]:
    """Return a way to type the command over a cellar, by the cellar's clock."""
    pages = pages_over()
    monkeypatch.setenv("MUSTWATCH_CONFIG", str(pages.settings.store.path.parent / "mustwatch.toml"))
    for module in (opening, whatif):
        monkeypatch.setattr(module, "now_ms", lambda: NOW_MS)
    return lambda *words: CliRunner().invoke(whatif.app, [KIT, *words])


def ends(document: dict[str, Any]) -> list[datetime]:
    """Return when the courses end, from the coolest to the warmest."""
    return [datetime.fromisoformat(course["finish_at"]["at"]) for course in document["courses"]]


def test_the_command_and_the_api_give_one_document(typed: Callable[..., Any], pages_over: Over) -> None:
    said = typed("--celsius", "22", "--by", "2026-11-20", "--json")
    document = json.loads(said.stdout)

    assert said.exit_code == 0
    assert ends(document) == sorted(ends(document), reverse=True)
    assert document["asked"]["celsius"] == 22.0
    assert {course["ends_in_time"] for course in document["courses"]} == {"surely"}
    told = pages_over().client.get(API, params={"celsius": 22, "by": "2026-11-20"})
    assert told.json() == document


def test_only_courses_that_may_end_by_the_day_are_listed(typed: Callable[..., Any]) -> None:
    courses = json.loads(typed("--json").stdout)["courses"]
    cool, warm = (datetime.fromisoformat(courses[i]["finish_at"]["earliest"]) for i in (0, -1))
    by = (warm + (cool - warm) / 2).isoformat(timespec="seconds")

    hurried, patient = typed("--by", by).stdout, typed("--by", "2026-11-20").stdout

    assert warm < cool
    assert 0 < hurried.count("perhaps by") < patient.count("surely by") == len(courses) + 1
    assert "hardly" not in hurried.partition("\n")[2].partition("\n")[2]


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (("--celsius", "5"), 2, "expected 11 °C to 32 °C"),
        (("--celsius", "warm"), 2, "not a number with a unit"),
        (("--by", "soon"), 2, "is not a date; expected e.g. 2026-10-12"),
        (("--by", "2026-01-01"), 2, "is over"),
        (("--by", "9999-12-31"), 2, "too far ahead"),
    ],
)
def test_what_cannot_be_asked_gets_one_line(
    typed: Callable[..., Any], words: tuple[str, ...], code: int, says: str
) -> None:
    said = typed(*words)

    assert said.exit_code == code
    assert says in said.stderr
    assert len(said.stderr.strip().splitlines()) == 1


def test_a_lot_that_hardly_falls_any_more_is_not_foretold(pages_over: Over) -> None:
    answer = pages_over().client.get("/api/lots/Cellar%20white/whatif")

    assert answer.status_code == 409
    assert "nothing can be foretold of lot Cellar white now" in answer.json()["detail"]


def test_the_lots_page_answers_without_a_script(pages_over: Over) -> None:
    pages = pages_over()
    page = pages.client.get(f"{PAGE}?degrees=22&by=2026-11-20").text
    part = pages.client.get(f"{PAGE}/whatif?degrees=22&by=2026-11-20").text

    assert '<input type="range" id="degrees" name="degrees" min="11" max="32"' in page
    assert part in page
    assert "22.0 °C" in part
    assert "surely" in part
    assert "Warmth costs aroma" in page
    assert 'name="degrees"' not in pages.client.get("/lot/Cellar%20white").text


def test_a_day_that_is_over_is_said_on_the_page(pages_over: Over) -> None:
    page = pages_over().client.get(f"{PAGE}?by=2020-01-01").text

    assert "2020-01-01 is over" in page


def test_nothing_of_it_is_kept(pages_over: Over) -> None:
    pages = pages_over()
    before = pages.store.watching.now(), pages.store.watching.checkpoint_before(KIT, NOW_MS + DAY_MS)
    pages.client.get(f"{PAGE}?degrees=30")

    assert (
        pages.store.watching.now(),
        pages.store.watching.checkpoint_before(KIT, NOW_MS + DAY_MS),
    ) == before
