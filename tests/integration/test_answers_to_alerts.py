"""Answering an alert: acknowledged, put off, undone, for a whole lot; on the page, by command, through the API, and by
one tap in the message itself."""

import html
import json
import re
import subprocess
import sys
from collections.abc import Callable

import pytest

from mustwatch.alerting.alert import State
from mustwatch.alerting.message import Message, MessageKind
from mustwatch.alerting.one_tap import LIFE_MS, PATH
from mustwatch.app.one_tap_link import link_of
from mustwatch.cellar.instant import DAY_MS
from mustwatch.config.settings import Settings
from mustwatch.deliver.parcel import parcel_of
from mustwatch.watch.finding import Severity
from web_cellar import NOW_MS, TOKEN, Pages

Over = Callable[..., Pages]
BASE = "http://cellar.lan:8714"


def form_token(page: str) -> str:
    found = re.search(r'name="form_token" value="(\w+)"', page)
    assert found is not None
    return found[1]


def answer(pages: Pages, do: str, ids: list[str], then: str = "/alerts") -> str:
    token = form_token(pages.client.get("/alerts").text)
    data = {"form_token": token, "do": do, "ids": ids, "then": then}
    got = pages.client.post("/alerts/answer", data=data, follow_redirects=False)
    assert got.status_code == 303
    return str(got.headers["location"])


def states(pages: Pages) -> dict[str, State]:
    return {alert.id: alert.state for alert in pages.store.alerts.open()}


def test_an_answer_leads_back_to_where_one_stood(pages_over: Over) -> None:
    pages = pages_over()
    cold = pages.hand.alerts(past=False)[0]["id"]

    assert answer(pages, "acknowledge", [cold], "/") == "/"
    assert answer(pages, "recall", [cold], "//elsewhere.example/") == "/"


def test_what_is_put_off_is_known_until_the_next_morning(pages_over: Over) -> None:
    pages = pages_over()
    cold = pages.hand.alerts(past=False)[0]["id"]

    answer(pages, "later", [cold])

    shown = next(a for a in pages.client.get("/api/alerts").json() if a["id"] == cold)
    assert shown["state"] == "acknowledged"
    assert shown["put_off_until"] == "2026-10-25T08:00:00+00:00", (
        "nine in the morning in Vienna, winter time by then"
    )
    assert "until Sun 25 Oct, 09:00" in html.unescape(pages.client.get("/alerts").text)


def test_an_acknowledging_is_undone_where_it_was_given(pages_over: Over) -> None:
    pages = pages_over()
    cold = pages.hand.alerts(past=False)[0]["id"]
    answer(pages, "acknowledge", [cold])
    assert "Undo<span" in pages.client.get("/alerts").text

    answer(pages, "recall", [cold])

    assert states(pages)[cold] is State.OPEN


def test_all_alerts_of_a_lot_are_answered_at_once(pages_over: Over) -> None:
    pages = pages_over()
    card = pages.client.get("/").text.partition("Garage kit</a></h2>")[2].partition("</article>")[0]
    ids = re.findall(r'name="ids" value="([^"]+)"', card)
    assert len(ids) == 3
    assert set(ids) == {a["id"] for a in pages.hand.alerts(past=False) if a["lot"] == "Garage kit"}

    answer(pages, "acknowledge", ids)

    known = {id_ for id_, state in states(pages).items() if state is State.ACKNOWLEDGED}
    assert known == set(ids)


def test_an_answer_without_the_page_s_token_does_nothing(pages_over: Over) -> None:
    pages = pages_over()
    cold = pages.hand.alerts(past=False)[0]["id"]

    got = pages.client.post("/alerts/answer", data={"do": "acknowledge", "ids": [cold]})

    assert got.status_code == 403
    assert states(pages)[cold] is State.OPEN


def test_the_api_puts_off_and_recalls(pages_over: Over) -> None:
    pages = pages_over()
    cold = pages.hand.alerts(past=False)[0]["id"]

    put_off = pages.client.post(f"/api/alerts/{cold}/put-off").json()
    recalled = pages.client.post(f"/api/alerts/{cold}/recall").json()

    assert (put_off["state"], recalled["state"]) == ("acknowledged", "open")
    assert put_off["put_off_until"] is not None
    assert recalled["put_off_until"] is None


def test_the_command_answers_by_id_lot_or_vessel(pages_over: Over) -> None:
    pages = pages_over()
    config = pages.settings.store.path.parent / "mustwatch.toml"

    def alerts(*arguments: str) -> dict[str, str]:
        run = [sys.executable, "-m", "mustwatch", "--config", str(config), "alerts", "--json", *arguments]
        said = subprocess.run(run, capture_output=True, text=True, check=True).stdout
        return {a["kind"]: a["state"] for a in json.loads(said) if a["lot"] == "Garage kit"}

    assert set(alerts("--ack", "Garage kit").values()) == {"acknowledged"}
    assert set(alerts("--unack", "garage bucket").values()) == {"open"}
    assert set(alerts("--later", "Garage kit").values()) == {"acknowledged"}


# --- one tap in the message ----------------------------------------------------------------------------------


def told(pages: Pages, ids: tuple[str, ...], severity: Severity = Severity.URGENT) -> Message:
    """Put a message into the outbox that tells of alerts."""
    message = Message(
        "first-00112233445566778899", "phone", MessageKind.FIRST, ids, severity, "Urgent, much too cold", "Why.",
        NOW_MS, NOW_MS, NOW_MS + DAY_MS,
    )  # fmt: skip
    pages.store.outbox.put([message])
    return message


def signed(pages: Pages) -> Settings:
    """Return the settings as of a cellar with an address of its own, and let the pages have them."""
    web = {"token": TOKEN, "base_url": BASE}
    settings = Settings.model_validate({**pages.settings.model_dump(exclude_unset=True), "web": web})
    pages.hand._settings = settings
    return settings


def path_in(pages: Pages, message: Message) -> str:
    link = link_of(signed(pages))(message)
    assert link.startswith(f"{BASE}{PATH}")
    return link.removeprefix(BASE)


def test_a_message_carries_its_link_and_a_cellar_without_an_address_none(pages_over: Over) -> None:
    pages = pages_over(TOKEN, BASE)
    message = told(pages, ("too-cold-abc",))
    link = link_of(signed(pages))(message)

    row = next(row for row in pages.store.outbox.waiting() if row.message.id == message.id)

    assert parcel_of(row, NOW_MS, link).body == f"Why.\nTo acknowledge: {link}"
    assert link_of(Settings())(message) == ""
    assert parcel_of(row, NOW_MS, "").body == "Why."


def test_a_preview_of_the_link_acknowledges_nothing_and_one_tap_does_without_signing_in(
    pages_over: Over,
) -> None:
    pages = pages_over(TOKEN, BASE)
    cold = pages.hand.alerts(past=False)[0]["id"]
    path = path_in(pages, told(pages, (cold,)))
    pages.client.cookies.clear()

    preview = pages.client.get(path)
    pages.client.head(path)

    assert preview.status_code == 200
    assert preview.text.count("<button") == 2
    assert "Garage kit" not in preview.text.replace(message_title := "Urgent, much too cold", ""), (
        message_title
    )
    assert states(pages)[cold] is State.OPEN

    acted = pages.client.post(path, data={"do": "acknowledge"})
    assert "it is not told again unless it gets worse" in acted.text
    assert states(pages)[cold] is State.ACKNOWLEDGED
    assert pages.client.get("/alerts", follow_redirects=False).status_code == 303, "it lets nobody in"


def test_the_link_is_good_once_even_if_it_is_undone(pages_over: Over) -> None:
    pages = pages_over(TOKEN, BASE)
    cold = pages.hand.alerts(past=False)[0]["id"]
    path = path_in(pages, told(pages, (cold,)))
    pages.client.post(path, data={"do": "later"})
    pages.hand.recall(cold)
    pages.hand._now_ms = lambda: NOW_MS + 60_000
    pages.hand.acknowledge(cold)
    pages.hand.recall(cold)

    again = pages.client.post(path, data={"do": "acknowledge"})

    assert "nothing left to acknowledge" in again.text
    assert states(pages)[cold] is State.OPEN


@pytest.mark.parametrize("spoilt", ["expired", "changed"])
def test_a_link_that_expired_or_was_changed_does_nothing(pages_over: Over, spoilt: str) -> None:
    pages = pages_over(TOKEN, BASE)
    cold = pages.hand.alerts(past=False)[0]["id"]
    path = path_in(pages, told(pages, (cold,)))
    if spoilt == "expired":
        pages.hand._now_ms = lambda: NOW_MS + LIFE_MS
    else:
        path = path[:-1] + ("0" if path[-1] != "0" else "1")

    got = pages.client.post(path, data={"do": "acknowledge"})

    assert got.status_code == 404
    assert "expired" in got.text
    assert states(pages)[cold] is State.OPEN
