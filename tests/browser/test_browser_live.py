"""What happens shows by itself: readings, alerts, entries, in every window that is open."""

import re

from playwright.sync_api import expect

from browsers import Complaints, RunningCellar, Visit

KIT = "/lot/Garage%20kit"


def test_a_reading_that_arrives_shows_without_reload(own_cellar: RunningCellar, visit: Visit) -> None:
    page = visit(f"{own_cellar.base}/sensors")
    page.evaluate("window.loadedOnce = true")
    card = page.locator("article", has_text="red-float")
    expect(card).not_to_contain_text("gravity 0.9876")

    own_cellar.say("red-float", 0.9876)

    expect(card).to_contain_text("gravity 0.9876")
    assert page.evaluate("window.loadedOnce") is True


def test_an_alert_acknowledged_in_one_window_is_known_in_the_other(
    own_cellar: RunningCellar, visit: Visit
) -> None:
    one = visit(f"{own_cellar.base}/alerts", "phone")
    other = visit(own_cellar.base)
    count = other.locator("#verdict-head")
    before = count.inner_text()
    opened = one.locator("#alerts article").count()

    # Which alerts are open depends on the hour at which the invented weeks end; one always is.
    one.get_by_role("button", name=re.compile("^Acknowledge ?: ")).first.click()

    expect(one.locator("h2", has_text="Acknowledged, and still so")).to_be_visible()
    expect(count).not_to_have_text(before)
    expect(other.locator("#verdict")).to_contain_text("you know of")
    assert one.locator("#alerts article").count() == opened


def test_a_racking_is_recorded_and_shows_in_the_book_and_in_the_cellar(
    own_cellar: RunningCellar, visit: Visit
) -> None:
    cellar_page = visit(own_cellar.base)
    page = visit(own_cellar.base + KIT, "phone")
    page.get_by_role("link", name="Rack", exact=True).click()
    form = page.locator("form.entry")

    form.get_by_label("Into").select_option("big carboy")
    form.get_by_label("Litres that went over").fill("21.5")
    form.get_by_label("Gravity as read").fill("1.001")
    form.get_by_label(re.compile("^Temperature")).fill("11C")
    expect(form.get_by_label("kit-float goes along")).to_be_checked()
    form.get_by_role("button", name="Write the racking").click()

    expect(page.locator("#said")).to_contain_text("The racking is written.")
    expect(page.locator("#timeline li").first).to_contain_text(
        "Racked from garage bucket to big carboy, 21.5 L"
    )
    expect(page.locator(".page-head")).to_contain_text("big carboy · secondary")
    expect(cellar_page.locator("article", has_text="Garage kit")).to_contain_text("big carboy")
    expect(cellar_page.locator(".empties")).to_contain_text("garage bucket")


def test_a_refused_bottling_says_why_and_is_taken_with_a_reason(
    own_cellar: RunningCellar, visit: Visit, complaints: Complaints
) -> None:
    complaints.foreseen.append("409")  # the browser tells of the refusal by itself
    page = visit(own_cellar.base + KIT)
    page.get_by_role("link", name="More").click()
    page.get_by_role("link", name="Bottling").click()
    page.get_by_label("How many bottles").fill("28")

    with page.expect_response(lambda answer: "/record/bottle" in answer.url) as refused:
        page.get_by_role("button", name="Write the bottling").click()
    assert refused.value.status == 409

    expect(page.locator(".said.no")).to_be_visible()
    expect(page.get_by_label("How many bottles")).to_have_value("28")
    expect(page.get_by_label(re.compile("Take it all the same"))).to_be_focused()
    page.get_by_label(re.compile("Take it all the same")).fill("it is for vinegar")
    page.get_by_role("button", name="Write the bottling").click()
    expect(page.locator("#timeline")).to_contain_text("all the same, because: it is for vinegar")


def test_a_command_typed_beside_the_daemon_shows_too(own_cellar: RunningCellar, visit: Visit) -> None:
    page = visit(own_cellar.base + KIT)

    own_cellar.daemon.done("record", "note", "Garage kit", "smells of apples")

    expect(page.locator("#timeline li").first).to_contain_text("Smells of apples")


def test_the_page_says_when_the_daemon_is_gone_and_when_it_is_back(
    own_cellar: RunningCellar, visit: Visit, complaints: Complaints
) -> None:
    complaints.foreseen.append("net::ERR_")  # the browser reports the lost connection on its own
    page = visit(own_cellar.base)
    state = page.locator("#live-state")
    expect(state).to_have_text("Live")

    own_cellar.daemon.kill()
    expect(state).to_have_text(re.compile(r"^Not connected since \d\d:\d\d$"))
    expect(page.locator("body.lost")).to_have_count(1)
    own_cellar.daemon.start()

    expect(state).to_have_text("Live")
    expect(page.locator("body.lost")).to_have_count(0)


def test_the_header_ticks_by_itself(own_cellar: RunningCellar, visit: Visit) -> None:
    page = visit(own_cellar.base)
    heard = page.locator("#pulse time")
    expect(page.locator("#live-state")).to_have_text("Live")
    own_cellar.say("red-float", 0.9921)
    expect(heard).to_have_text(re.compile(r"^\d+ seconds? ago$"))
    before = heard.inner_text()

    expect(heard).not_to_have_text(before)
    expect(heard).to_have_text(re.compile(r"^\d+ seconds? ago$|^1 minute ago$"))


def test_somebody_who_is_typing_is_not_disturbed(own_cellar: RunningCellar, visit: Visit) -> None:
    page = visit(f"{own_cellar.base}{KIT}/write/note")
    text = page.get_by_label("In your own words")
    expect(text).to_be_focused()
    text.fill("half a thou")

    own_cellar.daemon.done("record", "note", "Garage kit", "from the other side")
    page.wait_for_timeout(4000)  # longer than a page takes to bring itself up to date

    expect(text).to_have_value("half a thou")
    expect(text).to_be_focused()


def test_what_was_typed_survives_leaving_the_page_until_it_is_written(
    own_cellar: RunningCellar, visit: Visit
) -> None:
    page = visit(f"{own_cellar.base}{KIT}/write/measure", "phone")
    page.get_by_label("Gravity as read").fill("1,0")
    page.get_by_label("an hour ago").check()
    page.goto(own_cellar.base)

    page.goto(f"{own_cellar.base}{KIT}/write/measure")
    expect(page.get_by_label("Gravity as read")).to_have_value("1,0")
    expect(page.get_by_label("an hour ago")).to_be_checked()
    page.get_by_label("Gravity as read").fill("1,001")
    page.get_by_role("button", name="Write the check").click()
    expect(page.locator("#said")).to_contain_text("The check is written.")

    page.goto(f"{own_cellar.base}{KIT}/write/measure")
    expect(page.get_by_label("Gravity as read")).to_have_value("")


def test_what_was_written_can_be_undone_where_that_is_said(own_cellar: RunningCellar, visit: Visit) -> None:
    page = visit(f"{own_cellar.base}{KIT}/write/note", "phone")
    page.get_by_label("In your own words").fill("smells of pears")
    page.get_by_role("button", name="Write the note").click()

    page.locator("#said").get_by_role("button", name="Undo").click()

    expect(page.locator("#said")).to_contain_text("The entry is undone.")
    expect(page.locator("#timeline li", has_text="Smells of pears")).to_contain_text("(undone)")
