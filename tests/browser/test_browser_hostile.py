"""Names and words that are markup: shown as words, run by nobody; and who may see them at all."""

from pathlib import Path
from urllib.parse import quote

import pytest
from playwright.sync_api import Page, expect

from browsers import Complaints, RunningCellar, Visit, end_cellar, run_cellar
from web_cellar import HOSTILE, TOKEN

NAME = "\"><img src=x onerror=alert(1)> 100%25 & 'é'?"


@pytest.mark.parametrize("path", ["/sensors", "/alerts", "/lot/Garage%20kit", "/lot/Garage%20kit/record"])
def test_hostile_topics_notes_and_errors_are_shown_as_words(
    cellar: RunningCellar, visit: Visit, path: str
) -> None:
    page = visit(cellar.base + path)

    expect(page.get_by_text(HOSTILE).first).to_be_attached()
    page.wait_for_timeout(300)  # a dialog or a console error by now would fail the test at its end


def test_a_lot_of_a_hostile_name_is_begun_opened_and_drawn(own_cellar: RunningCellar, visit: Visit) -> None:
    page = visit(f"{own_cellar.base}/begin?vessel=tub")
    page.get_by_label("Its name").fill(NAME)
    page.get_by_label("Gravity as read").fill("1.080")
    page.get_by_label("What it is made of").fill(f"grapes {HOSTILE} %{{y}}")
    page.get_by_role("button", name="Begin").click()

    expect(page.locator("h1")).to_have_text(NAME)
    expect(page.locator("#chart svg.curve").first).to_be_visible()
    hover_the_book(page)
    page.goto(own_cellar.base)
    page.get_by_role("link", name=NAME).first.click()
    expect(page.locator("h1")).to_have_text(NAME)


def hover_the_book(page: Page) -> None:
    """Let the chart tell of the lot's start, whose words are markup."""
    box = page.locator("#chart").bounding_box()
    assert box is not None
    for share in (0.05, 0.1, 0.5, 0.9):
        page.mouse.move(box["x"] + box["width"] * share, box["y"] + box["height"] * 0.64)
        page.wait_for_timeout(60)


def test_with_a_token_one_signs_in_once_and_stays(past: Path, tmp_path: Path, visit: Visit) -> None:
    running = run_cellar(past, tmp_path, f'token = "{TOKEN}"\n')
    try:
        page = visit(f"{running.base}/night", "phone")
        expect(page.locator("h1")).to_have_text("Sign in")
        expect(page.locator("body")).not_to_contain_text("Garage kit")
        page.get_by_label("The cellar's token").fill(TOKEN)
        page.get_by_role("button", name="Enter").click()
        page.wait_for_url("**/night")
        expect(page.locator("main")).to_contain_text("Garage kit")

        beside = visit(f"{running.base}/alerts", beside=page)
        expect(beside.locator("h1")).to_have_text("Alerts")
        beside.get_by_role("button", name="Sign out").click()
        expect(beside.locator("h1")).to_have_text("Sign in")
        page.close()
        beside.close()
    finally:
        end_cellar(running)


def test_a_sign_in_link_signs_in_and_leaves_no_token_behind(
    past: Path, tmp_path: Path, visit: Visit, complaints: Complaints
) -> None:
    token = "a token+of/odd=signs"
    running = run_cellar(past, tmp_path, f'token = "{token}"\n')
    try:
        page = visit(f"{running.base}/enter#{quote(token, safe='')}", "phone")
        page.wait_for_url(f"{running.base}/")
        expect(page.locator("main")).to_contain_text("Garage kit")
        page.close()

        complaints.foreseen.append("403")  # the browser tells of the refusal by itself
        page = visit(f"{running.base}/enter#a-wrong-one", "phone")
        expect(page.get_by_role("alert")).to_be_visible()
        assert page.url == f"{running.base}/enter"
        page.close()
    finally:
        end_cellar(running)
