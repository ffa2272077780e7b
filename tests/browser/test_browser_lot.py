"""A lot's curve: in its page, read by one tap, from weeks to minutes, by finger, mouse, keyboard and address."""

import re
from typing import Any
from urllib.parse import parse_qs, urlsplit

import pytest
from playwright.sync_api import Browser, CDPSession, Page, expect

from browsers import Complaints, RunningCellar, Scheme, Size, Visit
from daemons import wait_until

RED = "/lot/Hillside%20red"
KIT = "/lot/Garage%20kit"
HOUR_MS = 3_600_000
SAID = re.compile(r"gravity \d\.\d{3} · \d+\.\d °C · room \d+\.\d °C")


def drawn(page: Page) -> None:
    expect(page.locator("#chart svg.curve")).to_be_visible()


def shown_hours(page: Page) -> float:
    """Return how long the picture's window is."""
    span = page.evaluate("(({ from, until }) => until - from)(document.querySelector('svg.curve').dataset)")
    return float(span) / HOUR_MS


def shows_hours(page: Page, hours: float, within: float = 0.02) -> None:
    """Wait until the picture's window is so long."""
    wait_until(
        lambda: shown_hours(page) == pytest.approx(hours, rel=within), 20, f"a window of {hours} h is shown"
    )


def points(page: Page, kind: str) -> int:
    """Return how many points a curve has."""
    return len((page.locator(f"#chart path.{kind}").first.get_attribute("d") or "").split()) // 2


def curves_asked(complaints: Complaints) -> list[str]:
    return [url for url in complaints.requests if urlsplit(url).path.endswith("/curve")]


def place(page: Page, along: float, down: float = 0.3) -> tuple[float, float]:
    """Return where on the screen a place of the chart is, scrolled into view."""
    page.locator("#chart svg.curve").scroll_into_view_if_needed()
    box = page.locator("#chart svg.curve").bounding_box()
    assert box is not None
    return box["x"] + box["width"] * along, box["y"] + box["height"] * down


def fingers(client: CDPSession, kind: str, *places: tuple[float, float]) -> None:
    """Put fingers down, move or lift them."""
    at = [{"x": x, "y": y, "id": number} for number, (x, y) in enumerate(places)]
    client.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": at})


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", ["phone", "desk"])
def test_the_curve_is_in_the_page_and_one_tap_reads_gravity_and_both_temperatures(
    cellar: RunningCellar, visit: Visit, complaints: Complaints, size: Size, scheme: Scheme
) -> None:
    page = visit(cellar.base + RED, size, scheme)
    drawn(page)

    for kind in ("gravity", "said", "celsius", "room", "now"):
        expect(page.locator(f"#chart path.{kind}").first).to_be_attached()
    assert shown_hours(page) == pytest.approx(21 * 24, rel=0.05)
    assert 300 < points(page, "gravity") <= 720
    x, y = place(page, 0.4)
    if size == "phone":
        page.touchscreen.tap(x, y)
    else:
        page.mouse.move(x, y)

    expect(page.locator("#curve-said")).to_contain_text(SAID)
    assert curves_asked(complaints) == []


def test_what_is_read_is_what_the_api_says(cellar: RunningCellar, visit: Visit) -> None:
    page = visit(f"{cellar.base}{RED}?days=7")
    drawn(page)
    curves = page.evaluate(
        "fetch('/api/lots/Hillside%20red/curves?points=2000').then((answer) => answer.json())"
    )
    until = float(page.locator("svg.curve").get_attribute("data-until") or 0)
    middle = until - 3.5 * 24 * HOUR_MS
    estimate = curves["estimate"]
    instants = page.evaluate("(texts) => texts.map((text) => Date.parse(text))", estimate["at"])
    nearest = min(range(len(instants)), key=lambda i: abs(instants[i] - middle))

    page.mouse.move(*place(page, 0.5))

    said = re.search(r"gravity (\d\.\d{3})", page.locator("#curve-said").inner_text())
    assert said is not None
    assert float(said[1]) == pytest.approx(estimate["gravity"][nearest], abs=0.0011)


def test_a_mark_in_a_lane_is_read_by_a_tap(cellar: RunningCellar, visit: Visit) -> None:
    page = visit(cellar.base + RED, "phone")
    box = page.locator("#chart svg.entry.rack path").first.bounding_box()
    assert box is not None
    page.locator("#chart svg.curve").scroll_into_view_if_needed()
    box = page.locator("#chart svg.entry.rack path").first.bounding_box()
    assert box is not None

    page.touchscreen.tap(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)

    expect(page.locator("#curve-said")).to_contain_text("racked", ignore_case=True)


def test_the_keyboard_reads_the_curve(cellar: RunningCellar, visit: Visit) -> None:
    page = visit(cellar.base + RED)
    slider = page.get_by_label("Read the curve at")
    slider.focus()
    for _ in range(3):
        page.keyboard.press("PageDown")

    expect(page.locator("#curve-said")).to_contain_text(SAID)
    expect(slider).to_have_attribute("aria-valuetext", SAID)


def test_a_closer_look_shows_every_reading_and_back_leads_to_the_wider_one(
    cellar: RunningCellar, visit: Visit, complaints: Complaints
) -> None:
    page = visit(cellar.base + RED)
    drawn(page)

    page.get_by_role("link", name="1 day").click()
    expect(page.get_by_role("link", name="1 day")).to_have_attribute("aria-current", "true")
    assert shown_hours(page) == pytest.approx(24, rel=0.05)
    assert page.url.endswith("?days=1")
    for hours in (12, 6, 3, 1.5):
        with page.expect_response("**/curve?*"):
            page.get_by_role("link", name="closer").click()
        shows_hours(page, hours)
        expect(page.get_by_role("link", name="closer")).to_be_focused()
    windows = [parse_qs(urlsplit(url).query) for url in curves_asked(complaints)]
    assert len(windows) == 5
    assert all(float(w["until"][0]) - float(w["from"][0]) <= 24.1 * HOUR_MS for w in windows if "from" in w)
    link = page.url

    page.go_back()
    shows_hours(page, 3)
    again = visit(link, "phone")
    drawn(again)
    assert shown_hours(again) == pytest.approx(1.5, rel=0.05)
    page.get_by_role("link", name="all", exact=True).click()
    expect(page.get_by_role("link", name="all", exact=True)).to_have_attribute("aria-current", "true")
    assert shown_hours(page) == pytest.approx(21 * 24, rel=0.05)


def test_dragging_the_mouse_over_the_curve_looks_into_it(cellar: RunningCellar, visit: Visit) -> None:
    page = visit(cellar.base + RED)
    drawn(page)

    with page.expect_response("**/curve?*"):
        page.mouse.move(*place(page, 0.4))
        page.mouse.down()
        page.mouse.move(*place(page, 0.5), steps=8)
        page.mouse.up()
    page.wait_for_url("**from=*")

    assert shown_hours(page) == pytest.approx(21 * 24 * 0.1, rel=0.1)


def test_a_finger_drags_the_curve_and_two_pinch_it(cellar: RunningCellar, visit: Visit) -> None:
    page = visit(f"{cellar.base}{RED}?days=7", "phone")
    drawn(page)
    client = page.context.new_cdp_session(page)
    before = float(page.locator("svg.curve").get_attribute("data-from") or 0)

    with page.expect_response("**/curve?*"):
        fingers(client, "touchStart", place(page, 0.3))
        for along in (0.4, 0.5, 0.6, 0.7, 0.8):
            fingers(client, "touchMove", place(page, along))
        fingers(client, "touchEnd")
    page.wait_for_url("**from=*")
    moved = before - float(page.locator("svg.curve").get_attribute("data-from") or 0)
    assert moved / HOUR_MS == pytest.approx(0.5 * 7 * 24, rel=0.15)
    assert shown_hours(page) == pytest.approx(7 * 24, rel=0.02)

    with page.expect_response("**/curve?*"):
        fingers(client, "touchStart", place(page, 0.4), place(page, 0.6))
        for apart in (0.15, 0.2, 0.25, 0.3):
            fingers(client, "touchMove", place(page, 0.5 - apart), place(page, 0.5 + apart))
        fingers(client, "touchEnd")
    shows_hours(page, 7 * 24 / 3, 0.1)


def test_a_finger_that_scrolls_the_page_leaves_the_curve_alone(
    cellar: RunningCellar, visit: Visit, complaints: Complaints
) -> None:
    page = visit(cellar.base + RED, "phone")
    client = page.context.new_cdp_session(page)
    x, y = place(page, 0.5, 0.8)
    before = page.evaluate("scrollY")

    fingers(client, "touchStart", (x, y))
    for up in range(20, 200, 20):
        fingers(client, "touchMove", (x, y - up))
    fingers(client, "touchEnd")

    wait_until(lambda: page.evaluate("scrollY") > before + 50, 20, "the page scrolled")
    assert curves_asked(complaints) == []


def test_a_stretch_that_cannot_be_fetched_is_said_and_the_curve_stays(
    cellar: RunningCellar, visit: Visit, complaints: Complaints
) -> None:
    complaints.foreseen.append("net::ERR_")
    page = visit(f"{cellar.base}{RED}?days=7", "phone")
    page.route("**/curve?*", lambda route: route.abort())
    client = page.context.new_cdp_session(page)

    fingers(client, "touchStart", place(page, 0.3))
    for along in (0.5, 0.8):
        fingers(client, "touchMove", place(page, along))
    fingers(client, "touchEnd")

    expect(page.locator("#curve-said")).to_contain_text("could not be fetched")
    expect(page.locator("#chart .stretched")).to_have_attribute("viewBox", re.compile("^0 0 10000 "))
    assert page.url.endswith("?days=7")


def test_what_happens_now_is_drawn_without_reload(own_cellar: RunningCellar, visit: Visit) -> None:
    page = visit(f"{own_cellar.base}{KIT}?days=1")
    drawn(page)
    marks = page.locator("#chart svg.entry")
    before = marks.count()

    own_cellar.daemon.done("record", "note", "Garage kit", "smells of pears")

    expect(marks).to_have_count(before + 1)
    assert marks.last.get_attribute("data-words") is not None


def test_the_curve_changes_its_inks_with_the_scheme(cellar: RunningCellar, visit: Visit) -> None:
    page = visit(cellar.base + RED)
    drawn(page)
    colour = "getComputedStyle(document.querySelector('#chart path.gravity')).stroke"
    light = page.evaluate(colour)

    page.emulate_media(color_scheme="dark")

    wait_until(lambda: page.evaluate(colour) != light, 20, "the curve in the dark scheme's ink")


def weights(page: Page, address: str) -> dict[str, float]:
    """Open an address and return the bytes that came over the wire by address, headers included."""
    client = page.context.new_cdp_session(page)
    client.send("Network.enable")
    urls: dict[str, str] = {}
    found: dict[str, float] = {}

    def begins(event: dict[str, Any]) -> None:
        urls[event["requestId"]] = event["response"]["url"]

    def ends(event: dict[str, Any]) -> None:
        if event["requestId"] in urls:
            found[urls[event["requestId"]]] = event["encodedDataLength"]

    client.on("Network.responseReceived", begins)
    client.on("Network.loadingFinished", ends)
    page.goto(address)
    drawn(page)
    page.wait_for_load_state("load")
    return found


def test_a_first_visit_is_light_and_a_later_one_fetches_no_file_again(
    cellar: RunningCellar, chromium: Browser
) -> None:
    context = chromium.new_context()
    cold = weights(context.new_page(), cellar.base + RED)
    assert any(url.endswith("lot.js") for url in cold), cold
    assert sum(cold.values()) < 150 * 1024, cold

    again = weights(context.new_page(), cellar.base + RED)
    context.close()

    assert sum(again.values()) < 60_000, again
    assert [url for url, weight in again.items() if "/static/" in url and weight > 0] == []


@pytest.mark.parametrize("size", ["phone", "desk"])
def test_the_slider_of_what_if_is_answered_at_once(
    cellar: RunningCellar, visit: Visit, complaints: Complaints, size: Size
) -> None:
    page = visit(cellar.base + KIT, size)
    slider, said = page.locator("#degrees"), page.locator("#what-if-said")
    slider.focus()

    page.keyboard.press("End")

    expect(page.locator("#what-if-form output")).to_have_text("32 °C")
    expect(said.locator("tbody tr")).to_have_count(2)
    expect(said).to_contain_text("32.0 °C")
    page.locator("#by").fill("2099-12-31")
    expect(said).to_contain_text("surely")
    assert complaints.faults == []
