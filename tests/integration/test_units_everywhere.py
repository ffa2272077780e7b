"""Who counts in °Brix and °F is told °Brix and °F: on pages, in print, by commands, in refusals and in steps."""

import re
from collections.abc import Callable
from dataclasses import replace

import pytest

from book_cellar import BookCellar
from mustwatch.app.web_backend import StoreHand
from mustwatch.web.access import AccessRules
from mustwatch.web.app import create_app
from mustwatch.web.cellarhand import Wish
from web_cellar import NOW_MS, Pages, TestClient

Over = Callable[..., Pages]
KIT = "/lot/Garage%20kit"
A_GRAVITY = re.compile(r"(?<![\d.:−-])(?:0\.9\d{2,}|1\.[01]\d{2,})(?!\d*\s*(?:g|kg|L|%|bar))")
"""A specific gravity as a person reads it."""


def seen(html: str) -> str:
    """Return what a browser shows of a page, but for what was told before: that stays in the words of then."""
    html = re.sub(r'<li class="told.*?</li>|<tr class=told>.*?(?=<tr|</table)', " ", html, flags=re.DOTALL)
    html = re.sub(r"<(style|script|title|select|label)\b.*?</\1>", " ", html, flags=re.DOTALL)
    return re.sub(r"<[^>]+>", " ", html)


@pytest.fixture
def american(pages_over: Over) -> Pages:
    pages = pages_over()
    cellar = pages.settings.cellar.model_copy(update={"gravity_unit": "Bx", "temperature_unit": "F"})
    settings = pages.settings.model_copy(update={"cellar": cellar})
    hand = StoreHand(pages.store, settings, now_ms=lambda: NOW_MS)
    client = TestClient(create_app(hand, AccessRules(None, None)), base_url="http://localhost")
    pages.hand.close()
    return replace(pages, client=client, settings=settings, hand=hand)


@pytest.mark.parametrize("path", ["/", "/night", "/alerts", KIT, f"{KIT}/record", "/sensors"])
def test_no_page_shows_a_specific_gravity_or_a_celsius(american: Pages, path: str) -> None:
    text = seen(american.client.get(path).text)

    assert "°F" in text
    assert A_GRAVITY.findall(text) == []
    without_standards = re.sub(r"(20/20 °C|corrected to 20 °C|34 °C \(93 °F\))", "", text)
    assert "°C" not in without_standards


def test_the_axes_of_a_lots_curve_name_the_persons_units(american: Pages) -> None:
    chart = american.client.get(f"{KIT}/curve").text

    assert re.search(r">\d+ °Bx</text>", chart)
    assert re.search(r">\d+ °F</text>", chart)
    assert "rack at 2.6 °Bx" in chart
    assert 'data-gravity-unit=" °Bx"' in chart
    assert 'data-degree=" °F"' in chart


def test_a_refusal_and_a_remark_speak_the_persons_units(american: Pages) -> None:
    refused = american.hand.record(Wish("Garage kit", "bottle", {"bottles": "28"}))
    doubted = american.hand.record(Wish("Garage kit", "measure", {"gravity": "20Bx", "celsius": "68F"}))

    for line in (*(r.line for r in refused.refused), *(r.line for r in doubted.refused)):
        assert A_GRAVITY.findall(line) == [], line
    assert doubted.refused

    written = american.hand.record(Wish("Garage kit", "measure", {"gravity": "1.001"}))
    assert written.remarks
    for remark in written.remarks:
        assert A_GRAVITY.findall(remark) == []
        assert "°C" not in remark


def test_a_note_offers_its_steps_with_the_vessels_name(american: Pages) -> None:
    page = american.client.get(f"{KIT}/write/note").text

    assert "Look at the airlock of garage bucket" in page
    assert "{vessel}" not in page


def test_commands_speak_the_persons_units(tmp_path_factory: pytest.TempPathFactory) -> None:
    cellar = BookCellar(tmp_path_factory.mktemp("american"), days_ago=20)
    text = cellar.config.read_text(encoding="utf-8")
    text = text.replace("[cellar]\n", '[cellar]\ngravity_unit = "Bx"\ntemperature_unit = "F"\n')
    cellar.config.write_text(text, encoding="utf-8")
    said = cellar.do(
        "record", "start", "plum", "--vessel", "bucket", "--gravity", "17Bx", "--celsius", "70F", "--calibrated-at",
        "60F", day=0,
    )  # fmt: skip
    said += cellar.do("record", "measure", "plum", "--gravity", "10Bx", "--celsius", "68F", day=3)
    said += cellar.do("cellar") + cellar.do("book", "plum")
    said += cellar.do(
        "calibrate", "float-1", "--point", "25:0Bx", "--point", "45:12Bx", "--point", "61:21Bx"
    ).partition("calibration = [")[0]  # what follows is for the configuration
    yeast = ("--yeast-low", "70F", "--yeast-high", "60F")
    said += cellar.run("record", "start", "pear", "--vessel", "bucket", "--gravity", "17Bx", *yeast).err
    said += cellar.do("calc", "correct", "--gravity", "10Bx", "--celsius", "77F")
    said += cellar.run("record", "bottle", "plum", "20").err

    assert "by a 60.0 °F hydrometer" in said
    assert "°Bx a day" in said
    assert "the yeast's band 70 to 60 °F is upside down" in said
    assert A_GRAVITY.findall(said) == []
    assert "°C" not in said


def test_book_and_cellar_tell_one_stage_at_one_minute(american: Pages) -> None:
    rows = {
        row["lot"]: row["stage"] for row in american.client.get("/api/cellar").json()["vessels"] if row["lot"]
    }
    lots = {row["lot"]: row["stage"] for row in american.client.get("/api/lots").json()}
    assert rows
    for lot, stage in rows.items():
        assert lots[lot] == stage
        assert american.client.get(f"/api/lots/{lot}").json()["stage"] == stage
        printed = seen(american.client.get(f"/lot/{lot}/record").text)
        assert stage in printed
