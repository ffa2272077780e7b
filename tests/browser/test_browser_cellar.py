"""The cellar's page in a hand: what is urgent is on the first screen, one thumb does it, and nobody loses their place."""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from browsers import Complaints, RunningCellar, Visit
from mustwatch.app.web_backend import StoreHand
from mustwatch.app.web_server import WebServer
from mustwatch.store.store import Store
from mustwatch.web.access import AccessRules
from mustwatch.web.app import create_app
from web_cellar import NOW_MS, make_cellar

SCENARIOS = sorted(
    path.stem for path in (Path(__file__).parents[2] / "simulators/mustsim/scenarios").glob("*.toml")
)
SIXTH_DAY = 6.0
"""When most of the simulator's scenarios are at their worst."""
PHONE = {"width": 390, "height": 844}
RANKS = {"urgent": 0, "warning": 1, "notice": 2}


@contextmanager
def served(folder: Path, scenario: str) -> Iterator[tuple[StoreHand, str]]:
    """Serve a scenario's cellar as it is on its sixth day."""
    settings = make_cellar(folder, days=SIXTH_DAY, scenario_name=scenario)
    store = Store(settings.store.path, NOW_MS)
    hand = StoreHand(store, settings, now_ms=lambda: NOW_MS)
    server = WebServer(create_app(hand, AccessRules()), "127.0.0.1", 0)
    try:
        assert server.start()
        yield hand, f"http://127.0.0.1:{server.port}"
    finally:
        server.stop()
        hand.close()
        store.close()


@pytest.mark.parametrize("scenario", SCENARIOS)
def test_what_is_worst_is_on_the_first_screen_of_a_phone(
    chromium: Browser, tmp_path: Path, scenario: str
) -> None:
    with served(tmp_path, scenario) as (hand, base):
        held = hand.alerts(past=False)
        context = chromium.new_context(viewport=PHONE, is_mobile=True, has_touch=True)  # type: ignore[arg-type]
        page = context.new_page()
        page.goto(base)

        said = page.locator(".need, #verdict .alerts li").first if held else page.locator("#verdict-head")
        box = said.bounding_box()
        shown = said.inner_text()
        context.close()
    assert box is not None
    assert box["y"] + box["height"] <= PHONE["height"]
    if held:
        worst = min((alert["severity"] for alert in held), key=RANKS.__getitem__)
        assert shown.startswith(worst.capitalize())
    else:
        assert shown.startswith("Nothing")


def test_the_whole_card_leads_to_its_lot_and_its_buttons_to_what_they_say(
    cellar: RunningCellar, visit: Visit
) -> None:
    page = visit(cellar.base, "phone")
    card = page.locator("article.vessel").first
    lot = card.locator("h2").inner_text()
    figure = card.locator("svg.days").bounding_box()
    assert figure is not None

    page.touchscreen.tap(figure["x"] + figure["width"] / 2, figure["y"] + figure["height"] / 2)
    expect(page.locator("h1")).to_have_text(lot)
    page.go_back()
    card.get_by_role("link", name="Check").click()

    expect(page.locator("h1")).to_have_text("A hydrometer check")
    for button in page.locator("form.entry button").all():
        shape = button.bounding_box()
        assert shape is not None
        assert shape["height"] >= 48


def test_an_alert_is_answered_and_undone_without_losing_one_s_place(
    own_cellar: RunningCellar, visit: Visit
) -> None:
    page = visit(own_cellar.base, "phone")
    card = page.locator("article.vessel", has=page.get_by_role("button", name="Acknowledge")).last
    lot = card.locator("h2").inner_text()
    button = card.get_by_role("button", name="Acknowledge")
    button.scroll_into_view_if_needed()
    before = page.evaluate("scrollY")

    button.click()

    undo = page.locator("article.vessel", has_text=lot).get_by_role("button", name="Undo")
    expect(undo).to_be_focused()
    assert page.url.rstrip("/") == own_cellar.base
    assert abs(page.evaluate("scrollY") - before) < 700, "the card moves down the page, not the reader"
    undo.click()
    expect(
        page.locator("article.vessel", has_text=lot).get_by_role("button", name="Acknowledge")
    ).to_be_focused()


def walk_to(page: Page, name: str) -> None:
    """Press Tab until a link or button of that name has the focus."""
    for _ in range(60):
        page.keyboard.press("Tab")
        # The button of a date field has the focus without the field matching :focus.
        if re.match(name, page.evaluate('document.activeElement.innerText ?? ""')):
            return
    raise AssertionError(f"Tab never came to {name!r}")


def test_a_check_is_written_with_the_keyboard_alone(own_cellar: RunningCellar, visit: Visit) -> None:
    page = visit(own_cellar.base)

    walk_to(page, "Garage kit$")
    page.keyboard.press("Enter")
    expect(page.locator("h1")).to_have_text("Garage kit")
    walk_to(page, "Check$")
    page.keyboard.press("Enter")
    expect(page.get_by_label("Gravity as read")).to_be_focused()
    page.keyboard.type("1,001")
    page.keyboard.press("Enter")

    expect(page.locator("#said")).to_contain_text("The check is written.")


def test_the_cellar_seen_last_is_there_dated_when_the_shed_cannot_be_reached(
    own_cellar: RunningCellar, visit: Visit, complaints: Complaints
) -> None:
    """The pages register it only where they are served by TLS; this machine's own address is trusted without."""
    complaints.foreseen += ["net::ERR_", "Failed to fetch"]
    page = visit(own_cellar.base, "phone")
    page.evaluate("navigator.serviceWorker.register('/sw.js').then(() => navigator.serviceWorker.ready)")
    page.wait_for_function("navigator.serviceWorker.controller")
    page.reload()
    seen = page.locator(".dateline").inner_text()
    figures = page.locator(".figures b").all_inner_texts()

    own_cellar.daemon.kill()
    page.goto(own_cellar.base)

    expect(page.locator("#live-state")).to_have_text(f"Not connected: the cellar as of {seen}")
    expect(page.locator("body.lost")).to_have_count(1)
    assert page.locator(".figures b").all_inner_texts() == figures
    own_cellar.daemon.start()
    expect(page.locator("#live-state")).to_have_text("Live")
