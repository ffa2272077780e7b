"""The cellar's page at six in the morning: which vessel needs me, for how long, how bad, and is all that of now?"""

import gzip
import html
import re
import struct
from collections.abc import Callable
from pathlib import Path

import pytest

from cellars import new_store
from mustwatch.app.web_backend import StoreHand
from mustwatch.cellar.instant import DAY_MS, HOUR_MS, MINUTE_MS
from mustwatch.cellar.reading import Reading
from mustwatch.config.plan import plan_of
from mustwatch.config.settings import Settings
from mustwatch.evaluation.live import Evaluation
from mustwatch.web.access import AccessRules
from mustwatch.web.app import create_app
from mustwatch.web.forms import form_for
from mustwatch.web.words import NUMBERS
from web_cellar import NOW_MS, TOKEN, Pages, TestClient

Over = Callable[..., Pages]


def text_of(markup: str) -> str:
    return html.unescape(" ".join(re.sub(r"<[^>]*>", " ", markup).split()))


def cards(page: str) -> list[tuple[str, str]]:
    """Return the cards of a page in their order: the lot, and what stands in it as text."""
    found = re.findall(r"<article class=\"vessel.*?</article>", page, re.DOTALL)
    return [(text_of(re.findall(r"<h2.*?</h2>", card, re.DOTALL)[0]), text_of(card)) for card in found]


def page_at(pages: Pages, now_ms: int, broker: str = "connected") -> str:
    """Return the cellar's page as it is seen at another instant."""
    hand = StoreHand(
        pages.store, pages.settings, now_ms=lambda: now_ms, health=lambda: (True, {"broker": broker})
    )
    try:
        app = create_app(hand, AccessRules(None, None))
        return str(TestClient(app, base_url="http://localhost").get("/").text)
    finally:
        hand.close()


def test_the_vessel_that_needs_somebody_most_comes_first(pages_over: Over) -> None:
    pages = pages_over()
    in_the_configuration = [row["lot"] for row in pages.hand.cellar()["vessels"] if row["lot"]]

    first, said = cards(pages.client.get("/").text)[0]

    assert in_the_configuration[-1] == first == "Garage kit", "the test is worth nothing otherwise"
    assert "Urgent." in said


def test_a_card_begins_with_what_for_how_long_how_bad_where_it_is_going_and_what_to_do(
    pages_over: Over,
) -> None:
    pages = pages_over()
    alert = next(a for a in pages.hand.alerts(past=False) if a["kind"] == "too-cold")
    now = alert["now"]
    hours = round(now["minutes_beyond"] / 60)

    _, said = cards(pages.client.get("/").text)[0]

    sentence = f"Urgent. Much too cold for {hours} hours: {now['celsius']:.1f} °C, limit"
    assert sentence in said
    assert "still falling. Move it somewhere warmer, or wrap it up." in said
    assert said.index(sentence) < said.index("Gravity")


def test_the_step_that_is_due_is_one_tap_away_filled_in(pages_over: Over) -> None:
    pages = pages_over()
    page = pages.client.get("/").text

    assert '<a class="button" href="/lot/Garage%20kit/write/rack">' in page
    assert '<a class="button" href="/lot/Hillside%20red/write/malolactic">' in page


@pytest.mark.parametrize(
    ("done_by", "address", "word"),
    [
        (None, "note?step=degas&text=Degas+it", "Done"),
        ("rack", "rack", "Rack"),
        ("bottle", "bottle", "Bottle"),
        ("checked", "measure", "Check"),
        ("measure:free-so2 or add:sulfite", "analysis", "Measure"),
        ("add:sulfite", "add?what=sulfite&purpose=sulfite", "Add"),
        ("malolactic or add:bacteria", "malolactic", "Write"),
    ],
)
def test_a_step_leads_to_the_form_that_fulfils_it(done_by: str | None, address: str, word: str) -> None:
    assert form_for({"id": "degas", "do": "Degas it", "done_by": done_by}) == (address, word)


def test_alerts_of_a_vessel_live_in_its_card_and_nowhere_else_on_the_page(pages_over: Over) -> None:
    page = pages_over().client.get("/").text

    assert text_of(page).count("Much too cold for") == 1
    assert "Battery low" in dict(cards(page))["Cellar white"]
    assert "Seven things to see to" in page


def test_a_vessel_of_which_nothing_has_to_be_done_folds_to_a_row(
    pages_over: Over, monkeypatch: pytest.MonkeyPatch
) -> None:
    pages = pages_over()
    document = pages.hand.cellar()
    row = next(row for row in document["vessels"] if row["lot"] == "Elder country")
    row["next"] = []
    document["alerts"] = [a for a in document["alerts"] if a["lot"] != "Elder country"]
    monkeypatch.setattr(pages.hand, "cellar", lambda: document)

    page = pages.client.get("/").text

    assert "Elder country" not in dict(cards(page))
    folded = page.partition('class="quiet-ones"')[2].partition("</section>")[0]
    assert '<a href="/lot/Elder%20country">' in folded
    assert "1.025" in folded


def test_the_verdict_counts_what_is_new_apart_from_what_is_known(pages_over: Over) -> None:
    pages = pages_over()
    assert "Seven things to see to" in page_at(pages, NOW_MS)
    held = pages.hand.alerts(past=False)
    pages.hand.acknowledge(held[0]["id"])
    assert "Six things to see to" in page_at(pages, NOW_MS)
    for alert in held[1:]:
        pages.hand.acknowledge(alert["id"])

    page = page_at(pages, NOW_MS)

    assert "Nothing new: 7 you know of" in page
    assert "Nothing has to be done" not in page
    assert "<title>Cellar" in page


@pytest.mark.parametrize(
    ("heard_ago_ms", "broker", "said"),
    [
        (MINUTE_MS, "connected", "Nothing has to be done"),
        (DAY_MS, "connected", "not everything was heard"),
        (None, "connected", "not everything was heard"),
        (MINUTE_MS, "not connected", "not everything was heard"),
    ],
)
def test_nothing_has_to_be_done_only_if_everything_was_heard(
    tmp_path: Path, heard_ago_ms: int | None, broker: str, said: str
) -> None:
    store = new_store(tmp_path / "c.db")
    sensor = {"id": "probe", "kind": "probe", "vessel": "tub", "topic": "cellar/probe", "decoder": "senml"}
    vessel = {"name": "tub", "kind": "tank", "litres": 100}
    settings = Settings.model_validate({"vessel": [vessel], "sensor": [sensor]})
    if heard_ago_ms is not None:
        heard_ms = NOW_MS - heard_ago_ms
        evaluation = Evaluation(store, plan_of(settings), heard_ms)
        evaluation.take(Reading("probe", heard_ms, heard_ms, None, None, 18.0))
        with store.transaction():
            evaluation.commit(heard_ms)
    hand = StoreHand(store, settings, now_ms=lambda: NOW_MS, health=lambda: (True, {"broker": broker}))

    page = TestClient(create_app(hand, AccessRules(None, None)), base_url="http://localhost").get("/").text

    hand.close()
    store.close()
    assert re.findall(r'<h2 id="verdict-head">.*?</h2>', page)[0].count(said) == 1


def test_the_header_says_how_long_ago_anything_was_heard_and_what_is_silent(pages_over: Over) -> None:
    pages = pages_over()
    fresh, later = page_at(pages, NOW_MS), page_at(pages, NOW_MS + 3 * DAY_MS)
    away = page_at(pages, NOW_MS, "not connected: connection refused")

    assert "the broker is not connected" not in fresh
    assert "silent" not in text_of(fresh).partition("Cellar Night")[0]
    assert "heard 3 days ago" in text_of(later)
    assert f"{NUMBERS[len(pages.settings.sensor)]} sensors silent" in text_of(later)
    assert "the broker is not connected" in text_of(away)
    assert 'class="stale"' in away
    assert 'class="stale"' not in fresh


def test_figures_that_are_old_are_grey(pages_over: Over) -> None:
    pages = pages_over()

    assert 'class="vessel old"' not in page_at(pages, NOW_MS)
    assert page_at(pages, NOW_MS + 6 * HOUR_MS).count('class="vessel old"') >= 4


def test_a_phone_that_never_saw_it_loads_the_page_in_forty_kilobytes(pages_over: Over) -> None:
    client = pages_over().client
    page = client.get("/")

    packed = len(gzip.compress(page.content, 6))
    for address in set(re.findall(r'(?:src|href)="(/static/[^"]+)"', page.text)):
        packed += len(gzip.compress(client.get(address).content, 6))

    assert packed < 40_000


def test_a_lot_s_page_begins_with_the_same_sentence_as_its_card(pages_over: Over) -> None:
    client = pages_over().client

    of_lot, of_card = (
        text_of(client.get("/lot/Garage%20kit").text),
        dict(cards(client.get("/").text))["Garage kit"],
    )

    sentence = of_card[of_card.index("Urgent.") : of_card.index("Notice.")]
    assert sentence in of_lot


# --- on the home screen --------------------------------------------------------------------------------------


def test_the_pages_can_be_put_on_the_home_screen_before_signing_in(pages_over: Over) -> None:
    client = pages_over(TOKEN).client

    manifest = client.get("/manifest.webmanifest")
    worker = client.get("/sw.js")

    assert manifest.headers["content-type"] == "application/manifest+json"
    assert manifest.json()["name"] == "The cellar at Hillside"
    for icon in manifest.json()["icons"]:
        picture = client.get(icon["src"])
        assert picture.headers["content-type"] == "image/png"
        width, height = struct.unpack(">II", picture.content[16:24])
        assert icon["sizes"] == f"{width}x{height}"
    assert worker.headers["content-type"].startswith("text/javascript")
    assert "no-cache" in worker.headers["cache-control"]
    assert 'rel="manifest"' in client.get("/enter").text
