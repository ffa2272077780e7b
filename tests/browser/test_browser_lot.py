"""A lot's curve: from weeks to minutes, never more points than the picture can hold."""

from typing import Any
from urllib.parse import parse_qs, urlsplit

import pytest
from playwright.sync_api import Page, expect

from browsers import Complaints, RunningCellar, Size, Visit
from daemons import wait_until

RED = "/lot/Hillside%20red"
HOUR_MS = 3_600_000


def drawn(page: Page) -> None:
    expect(page.locator("#chart .main-svg").first).to_be_visible()


def shown_hours(page: Page) -> float:
    """Return how long the picture's window is."""
    span = page.evaluate(
        "(() => { const r = document.getElementById('chart').layout.xaxis.range; return r[1] - r[0]; })()"
    )
    return float(span) / HOUR_MS


def points(page: Page) -> list[int]:
    """Return how many points each curve has."""
    counts = page.evaluate("document.getElementById('chart').data.map((trace) => trace.x.length)")
    return [int(n) for n in counts]


def asked_windows(complaints: Complaints) -> list[dict[str, list[str]]]:
    return [parse_qs(urlsplit(url).query) for url in complaints.requests if "curves.json" in url]


@pytest.mark.parametrize("size", ["phone", "desk"])
def test_three_weeks_are_drawn_with_estimate_readings_checks_and_book(
    cellar: RunningCellar, visit: Visit, size: Size
) -> None:
    page = visit(cellar.base + RED, size)
    drawn(page)

    names = page.evaluate("document.getElementById('chart').data.map((trace) => trace.name)")
    assert {"red-float", "gravity", "low", "high", "checks", "book", "tub-probe"} <= set(names)
    assert max(points(page)) <= 2_000
    assert shown_hours(page) == pytest.approx(21 * 24, rel=0.05)


def test_zooming_asks_for_the_window_anew_and_shows_every_reading(
    cellar: RunningCellar, visit: Visit, complaints: Complaints
) -> None:
    page = visit(cellar.base + RED)
    drawn(page)
    asked = len(asked_windows(complaints))

    with page.expect_response("**/curves.json*"):
        page.get_by_role("button", name="1 day").click()
    expect(page.get_by_role("button", name="1 day")).to_have_attribute("aria-pressed", "true")

    assert shown_hours(page) == pytest.approx(24, rel=0.05)
    for _ in range(4):
        with page.expect_response("**/curves.json*"):
            page.get_by_role("button", name="closer").click()
    page.wait_for_timeout(200)
    assert shown_hours(page) == pytest.approx(1.5, rel=0.1)
    windows = asked_windows(complaints)[asked:]
    assert len(windows) == 5
    assert all(float(w["until"][0]) - float(w["from"][0]) <= 24.1 * HOUR_MS for w in windows)

    with page.expect_response("**/curves.json*"):
        page.get_by_role("button", name="all", exact=True).click()
    page.wait_for_timeout(200)
    assert shown_hours(page) == pytest.approx(21 * 24, rel=0.05)


def test_dragging_over_the_curve_zooms_into_it(cellar: RunningCellar, visit: Visit) -> None:
    page = visit(cellar.base + RED)
    drawn(page)
    box = page.locator("#chart").bounding_box()
    assert box is not None

    with page.expect_response("**/curves.json*"):
        page.mouse.move(box["x"] + box["width"] * 0.4, box["y"] + box["height"] * 0.3)
        page.mouse.down()
        page.mouse.move(box["x"] + box["width"] * 0.5, box["y"] + box["height"] * 0.3, steps=8)
        page.mouse.up()
    page.wait_for_timeout(300)

    assert shown_hours(page) == pytest.approx(21 * 24 * 0.11, rel=0.25)


def test_hovering_says_the_numbers(cellar: RunningCellar, visit: Visit) -> None:
    page = visit(cellar.base + RED)
    drawn(page)
    box = page.locator("#chart").bounding_box()
    assert box is not None

    page.mouse.move(box["x"] + box["width"] * 0.5, box["y"] + box["height"] * 0.3)

    expect(page.locator("#chart .hoverlayer")).to_contain_text("gravity")


def test_the_curve_changes_its_inks_with_the_scheme(cellar: RunningCellar, visit: Visit) -> None:
    page = visit(cellar.base + RED)
    drawn(page)
    colour = "document.getElementById('chart').data.find((t) => t.name === 'gravity').line.color"
    light = page.evaluate(colour)

    page.emulate_media(color_scheme="dark")

    wait_until(lambda: page.evaluate(colour) != light, 5, "the curve drawn in the dark scheme's ink")


def test_a_later_visit_fetches_no_file_again(cellar: RunningCellar, visit: Visit) -> None:
    first = visit(cellar.base + RED)
    drawn(first)
    weights: dict[str, tuple[str, float]] = {}
    second = first.context.new_page()
    client = first.context.new_cdp_session(second)
    client.send("Network.enable")

    def begins(event: dict[str, Any]) -> None:
        weights.setdefault(event["requestId"], (event["response"]["url"], 0))

    def ends(event: dict[str, Any]) -> None:
        url, _ = weights.get(event["requestId"], ("?", 0))
        weights[event["requestId"]] = (url, event["encodedDataLength"])

    client.on("Network.responseReceived", begins)
    client.on("Network.loadingFinished", ends)

    second.goto(cellar.base + RED)
    drawn(second)

    assert sum(weight for _, weight in weights.values()) < 60_000, weights
    fetched = [url for url, weight in weights.values() if "/static/" in url and weight > 0]
    assert fetched == []
