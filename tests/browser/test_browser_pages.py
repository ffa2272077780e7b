"""Every page, at phone and desk size, in both schemes: whole, quiet, and usable by everybody."""

import pytest
from playwright.sync_api import Browser, Page, expect

from browsers import RunningCellar, Scheme, Size, Visit

PAGES = {
    "cellar": "/",
    "night": "/night",
    "lot": "/lot/Hillside%20red",
    "fermenting lot": "/lot/Garage%20kit",
    "alerts": "/alerts",
    "sensors": "/sensors",
    "lots": "/lots",
    "begin": "/begin?vessel=tub",
    "check": "/lot/Garage%20kit/write/measure",
    "racking": "/lot/Garage%20kit/write/rack",
    "more": "/lot/Garage%20kit/write",
}
SERIOUS = ("serious", "critical")


def settle(page: Page) -> None:
    """Wait until a lot's chart is drawn, where there is one."""
    if page.locator("#chart").count():
        expect(page.locator("#chart svg.curve").first).to_be_visible()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", ["phone", "desk"])
@pytest.mark.parametrize("name", PAGES)
def test_a_page_fits_and_has_no_serious_accessibility_finding(
    cellar: RunningCellar, visit: Visit, axe: str, name: str, size: Size, scheme: Scheme
) -> None:
    page = visit(cellar.base + PAGES[name], size, scheme)
    settle(page)

    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), "nothing sticks out sideways"
    expect(page.locator("main h1")).to_have_count(1)
    page.evaluate(axe)
    found = page.evaluate("axe.run(document, {resultTypes: ['violations']})")
    serious = [
        f"{v['id']}: {v['help']} ({'; '.join(n['target'][0] for n in v['nodes'][:3])})"
        for v in found["violations"]
        if v["impact"] in SERIOUS
    ]
    assert serious == []


@pytest.mark.parametrize("name", PAGES)
def test_at_twice_the_size_of_text_and_on_a_tablet_nothing_sticks_out(
    cellar: RunningCellar, visit: Visit, name: str
) -> None:
    """WCAG 2.2, 1.4.4: text up to 200 percent without loss."""
    page = visit(cellar.base + PAGES[name], "phone")
    page.evaluate("document.documentElement.style.fontSize = '200%'")
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")

    page = visit(cellar.base + PAGES[name], "tablet")
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


@pytest.mark.parametrize("size", ["phone", "desk"])
def test_what_is_tapped_is_large_enough_for_a_thumb(cellar: RunningCellar, visit: Visit, size: Size) -> None:
    """WCAG 2.2, 2.5.8: targets of at least 24 by 24 CSS pixels; buttons here are 44 high."""
    page = visit(f"{cellar.base}/alerts", size)

    for box in page.locator("button:visible, nav a:visible, summary:visible").all():
        shape = box.bounding_box()
        assert shape is not None
        assert shape["height"] >= 40


def test_the_pages_are_walked_with_the_keyboard_alone(cellar: RunningCellar, visit: Visit) -> None:
    page = visit(cellar.base)

    page.keyboard.press("Tab")
    expect(page.locator(":focus")).to_have_text("Skip to the page")
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "main"
    for _ in range(3):
        page.keyboard.press("Shift+Tab")
    page.goto(cellar.base)
    for _ in range(5):
        page.keyboard.press("Tab")
    expect(page.locator(":focus")).to_have_text("Night")
    page.keyboard.press("Enter")
    page.wait_for_url("**/night")


def test_without_scripts_the_pages_still_tell_everything(cellar: RunningCellar, chromium: Browser) -> None:
    context = chromium.new_context(java_script_enabled=False, viewport={"width": 360, "height": 740})
    page = context.new_page()

    page.goto(f"{cellar.base}/lot/Garage%20kit")

    expect(page.locator("#chart path.gravity")).to_have_count(1)
    page.locator("summary", has_text="day by day").click()
    expect(page.locator("table tr").nth(3)).to_contain_text("°C")
    context.close()


def test_leafing_through_the_nights(cellar: RunningCellar, visit: Visit) -> None:
    page = visit(f"{cellar.base}/night", "phone")
    newest = page.locator("h1").inner_text()

    page.get_by_role("link", name="the night before").click()
    assert page.locator("h1").inner_text() != newest
    page.get_by_role("link", name="the night after").click()
    assert page.locator("h1").inner_text() == newest


def test_a_night_leads_to_its_stretch_of_the_lots_curve(cellar: RunningCellar, visit: Visit) -> None:
    page = visit(f"{cellar.base}/night")

    page.locator("h2 a", has_text="Garage kit").click()
    settle(page)

    expect(page.locator("#chart-window")).to_contain_text("18:00")
