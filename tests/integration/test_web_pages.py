"""The pages over an invented cellar: what they show, whom they let in, and what they refuse."""

import re
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import quote

import pytest
from httpx import Response

from mustwatch.app.web_backend import StoreHand
from mustwatch.cellar.book import Note, Reanchor
from mustwatch.cellar.instant import DAY_MS, HOUR_MS
from mustwatch.web.access import ATTEMPTS, ATTEMPTS_WINDOW_S, COOKIE, AccessRules
from mustwatch.web.app import create_app
from mustwatch.web.cellarhand import Wish
from mustwatch.web.forms import START
from mustwatch.web.statics import KEEP_S
from mustwatch.web.transfer_forms import ALL_FORMS as FORMS
from web_cellar import HOSTILE, NOW_MS, TOKEN, Pages, TestClient

Over = Callable[..., Pages]
KIT = "/lot/Garage%20kit"
EVERY_PAGE = [
    "/",
    "/night",
    "/alerts",
    "/sensors",
    "/lots",
    KIT,
    "/lot/Hillside%20red",
    "/begin?vessel=tub",
    f"{KIT}/record",
]


def form_token(page: str) -> str:
    found = re.search(r'name="form_token" value="(\w+)"', page)
    assert found is not None
    return found[1]


class Seen(HTMLParser):
    """What a browser would see in a page: its tags, what of it is inline code, and what points elsewhere."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.inline: list[str] = []
        self.elsewhere: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        named = dict(attrs)
        if tag == "style" or (tag == "script" and not named.get("src")):
            self.inline.append(tag)
        self.inline += [name for name in named if name == "style" or name.startswith("on")]
        for name in ("src", "href", "action"):
            value = named.get(name) or "/"
            if not value.startswith(("/", "#")) or value.startswith("//"):
                self.elsewhere.append(value)


# --- looking -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", EVERY_PAGE)
def test_every_page_is_shown_under_a_strict_policy(pages_over: Over, path: str) -> None:
    answer = pages_over().client.get(path)

    assert answer.status_code == 200
    policy = answer.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert "frame-ancestors 'none'" in policy
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert "server" not in answer.headers


@pytest.mark.parametrize("path", EVERY_PAGE[:-1])
def test_no_page_carries_inline_script_or_style_or_points_elsewhere(pages_over: Over, path: str) -> None:
    seen = Seen()
    seen.feed(pages_over().client.get(path).text)

    assert seen.tags >= {"main", "nav", "h1"}
    assert seen.inline == []
    assert seen.elsewhere == []


def test_the_cellar_page_says_what_has_to_be_done_and_how_every_vessel_stands(pages_over: Over) -> None:
    text = pages_over().client.get("/").text

    assert "things to see to" in text
    assert "Urgent." in text
    for name in ("Hillside red", "Cellar white", "Elder country", "Garage kit", "tub", "big carboy"):
        assert name in text
    assert "below its band" in text


def test_the_night_page_tells_the_same_as_the_command(pages_over: Over) -> None:
    pages = pages_over()
    document = pages.client.get("/api/night").json()
    kit = next(row for row in document["vessels"] if row["lot"] == "Garage kit")

    text = pages.client.get("/night").text

    assert kit["minutes_below"] > 60
    assert f"{kit['swing']:.1f} °C" in text
    assert "Garage kit was too cold for" in text
    assert len(kit["earlier"]) == 7


def test_another_night_can_be_leafed_to_and_a_date_that_is_none_is_said_so(pages_over: Over) -> None:
    client = pages_over().client

    assert "Night of Tue 20 Oct 2026" in client.get("/night?date=2026-10-20").text
    assert client.get("/night?date=tuesday").status_code == 422


def test_words_of_people_and_sensors_are_shown_as_words(pages_over: Over) -> None:
    client = pages_over().client

    for path in (KIT, "/sensors", "/alerts", f"{KIT}/record"):
        text = client.get(path).text
        assert HOSTILE not in text, path
        assert "&lt;script&gt;alert(1)&lt;/script&gt;" in text, path
        assert "<img" not in text
    assert "{{ 7 * 7 }}" in client.get(KIT).text


def test_a_lot_of_a_hostile_name_has_a_page_of_its_own(pages_over: Over) -> None:
    pages = pages_over()
    name = "\"><img src=x onerror=alert(1)>?& 'é"
    client = pages.client
    page = client.get("/begin?vessel=tub").text
    typed = {"form_token": form_token(page), "vessel": "tub", "lot": name, "gravity": "1.080"}

    begun = client.post("/begin", data=typed, follow_redirects=False)

    assert begun.status_code == 303
    shown = client.get(begun.headers["location"])
    assert shown.status_code == 200
    assert "<img" not in shown.text
    assert "<img" not in client.get("/").text


def test_an_unknown_lot_is_said_to_be_unknown(pages_over: Over) -> None:
    answer = pages_over().client.get("/lot/nobody's")

    assert answer.status_code == 404
    assert "is not in the book" in answer.text


def test_the_printed_record_may_use_its_own_style_and_nothing_else(pages_over: Over) -> None:
    answer = pages_over().client.get(f"{KIT}/record")

    assert "script-src" not in answer.headers["content-security-policy"]
    assert "style-src 'sha256-" in answer.headers["content-security-policy"]


def test_messages_that_did_not_arrive_are_on_the_alerts_page(pages_over: Over) -> None:
    text = pages_over().client.get("/alerts").text

    assert "Messages not delivered" in text
    assert "no route to host" in text


# --- files ---------------------------------------------------------------------------------------------------


def test_files_are_kept_for_a_year_under_an_address_that_changes_with_them(pages_over: Over) -> None:
    client = pages_over().client
    addresses = re.findall(r'"(/static/[^"]+)"', client.get(KIT).text)

    assert {a.rsplit("/")[-1] for a in addresses} >= {"sheet.css", "live.js", "lot.js"}
    for address in addresses:
        answer = client.get(address)
        assert answer.status_code == 200
        assert answer.headers["cache-control"] == f"public, max-age={KEEP_S}, immutable"
    assert client.get("/static/000000000000/sheet.css").status_code == 404
    assert client.get("/static/000000000000/../../app.py").status_code == 404


def test_a_first_visit_to_a_lot_weighs_less_than_150_kibibytes(pages_over: Over) -> None:
    pages = pages_over()
    addresses = set(re.findall(r'"(/static/[^"]+)"', pages.client.get(KIT).text))

    assert weight(pages, KIT) + sum(weight(pages, address) for address in addresses) < 150 * 1024
    assert weight(pages, f"{KIT}/curve?days=3") < 40 * 1024


def test_a_file_is_not_read_again_when_it_is_asked_for(
    pages_over: Over, monkeypatch: pytest.MonkeyPatch
) -> None:
    client = pages_over().client
    address = re.search(r'"(/static/[^"]+/lot.js)"', client.get(KIT).text)
    assert address is not None
    read: list[Path] = []

    def opened(path: Path, *_: object, **__: object) -> None:
        read.append(path)
        raise AssertionError(f"{path} was opened")

    monkeypatch.setattr(Path, "open", opened)
    monkeypatch.setattr(Path, "read_bytes", opened)

    assert client.get(address[1]).status_code == 200
    assert client.get(address[1], headers={"Accept-Encoding": "identity"}).status_code == 200
    assert read == []


# --- the curve -----------------------------------------------------------------------------------------------


def test_a_lots_curve_is_in_its_page_with_the_night_the_room_and_what_was_told(pages_over: Over) -> None:
    text = pages_over().client.get(KIT).text

    for kind in ("gravity", "said", "spread", "fan", "forecast", "celsius", "room"):
        assert f'<path class="{kind}"' in text, kind
    assert text.count('<path class="dark"') >= 6
    assert '<path class="now"' in text
    assert '<svg class="told urgent"' in text
    assert '<svg class="entry start"' in text
    assert re.search(r"finished \w{3} 2\d Oct", text)


WHOLE_LIFE = r"Sat 17 Oct, 20:42 to \w{3} 2\d Oct, \d\d:\d\d"
"""From the pitching to the end of the forecast, which is the watch's to say."""


@pytest.mark.parametrize(
    ("query", "words"),
    [
        ("", WHOLE_LIFE),
        ("?days=1", "Fri 23 Oct, 06:12 to Sat 24 Oct, 06:12"),
        (f"?from={NOW_MS - 2 * DAY_MS}&until={NOW_MS - DAY_MS}", "Thu 22 Oct, 06:12 to Fri 23 Oct, 06:12"),
        (f"?from={NOW_MS}&until={NOW_MS - DAY_MS}", WHOLE_LIFE),
    ],
)
def test_the_address_says_which_stretch_of_the_curve_is_shown(
    pages_over: Over, query: str, words: str
) -> None:
    client = pages_over().client

    for path in (KIT, f"{KIT}/curve"):
        assert re.search(f">{words}</span>", client.get(f"{path}{query}").text)


@pytest.mark.parametrize("query", ["?days=0", "?days=x", "?from=-1&until=5", "?from=1e99&until=2"])
def test_a_stretch_that_cannot_be_read_is_said_so(pages_over: Over, query: str) -> None:
    assert pages_over().client.get(f"{KIT}/curve{query}").status_code == 422


def test_every_window_leads_to_others_that_can_be_shown(pages_over: Over) -> None:
    client = pages_over().client
    for name in ("closer", "earlier", "further", "later"):
        address = KIT
        for _ in range(9):
            link = re.search(rf'id="curve-{name}" href="([^"]+)"', client.get(address).text)
            assert link is not None
            address = link[1].replace("&amp;", "&")
        window = dict(part.split("=") for part in address.partition("?")[2].split("&"))
        assert 300_000 <= int(window["until"]) - int(window["from"]) <= 60 * DAY_MS


def weight(pages: Pages, address: str) -> int:
    """Return the bytes that go over the wire for an address, its headers included."""
    with pages.client.stream("GET", address, headers={"Accept-Encoding": "gzip"}) as answer:
        assert answer.status_code == 200
        return sum(map(len, answer.iter_raw())) + sum(len(k) + len(v) + 4 for k, v in answer.headers.items())


# --- signing in ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", [p for p in EVERY_PAGE if p != "/"])
def test_with_a_token_every_page_asks_for_it(pages_over: Over, path: str) -> None:
    answer = pages_over(TOKEN).client.get(path, follow_redirects=False)

    assert answer.status_code == 303
    assert answer.headers["location"] == f"/enter?then={quote(path, safe='')}"
    assert "Garage" not in answer.text


@pytest.mark.parametrize("path", ["/api/cellar", "/api/events", "/api/openapi.json", "/metrics"])
def test_with_a_token_programs_are_told_that_it_is_missing(pages_over: Over, path: str) -> None:
    client = pages_over(TOKEN).client

    assert client.get(path).status_code == 401
    assert client.get(path).headers["www-authenticate"] == "Bearer"
    assert client.get(path, headers={"Authorization": "Bearer wrong"}).status_code == 401


def test_a_program_shows_its_token(pages_over: Over) -> None:
    answer = pages_over(TOKEN).client.get("/api/cellar", headers={"Authorization": f"Bearer {TOKEN}"})

    assert answer.status_code == 200


def test_signing_in_leads_back_and_the_cookie_is_for_this_site_alone(pages_over: Over) -> None:
    client = pages_over(TOKEN).client

    entered = client.post("/enter", data={"token": TOKEN, "then": "/night"}, follow_redirects=False)

    assert entered.headers["location"] == "/night"
    cookie = entered.headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    assert TOKEN not in cookie
    assert client.get("/night").status_code == 200
    assert client.get("/enter?then=/sensors", follow_redirects=False).headers["location"] == "/sensors"


def test_a_wrong_token_is_refused_and_the_sixth_attempt_waits(pages_over: Over) -> None:
    pages = pages_over(TOKEN)
    for _ in range(ATTEMPTS):
        assert pages.client.post("/enter", data={"token": "guess"}).status_code == 403

    waiting = pages.client.post("/enter", data={"token": TOKEN})

    assert waiting.status_code == 429
    assert 0 < int(waiting.headers["retry-after"]) <= ATTEMPTS_WINDOW_S
    assert pages.client.get("/api/cellar", headers={"Authorization": f"Bearer {TOKEN}"}).status_code == 429
    pages.clocks.mono_s += ATTEMPTS_WINDOW_S + 1
    assert pages.client.post("/enter", data={"token": TOKEN}, follow_redirects=False).status_code == 303


def test_signing_out_ends_it(pages_over: Over) -> None:
    client = pages_over(TOKEN).client
    client.post("/enter", data={"token": TOKEN})

    client.post("/leave", data={"form_token": form_token(client.get("/").text)})

    assert client.get("/", follow_redirects=False).status_code == 303


def test_signing_out_ends_the_session_itself_whoever_has_copied_its_cookie(pages_over: Over) -> None:
    pages = pages_over(TOKEN)
    client = pages.client
    client.post("/enter", data={"token": TOKEN})
    copy = {"Cookie": f"{COOKIE}={client.cookies[COOKIE]}"}
    client.post("/leave", data={"form_token": form_token(client.get("/").text)})
    client.cookies.clear()

    assert client.get("/", headers=copy, follow_redirects=False).status_code == 303
    assert client.get("/api/cellar", headers=copy).status_code == 401
    restarted = TestClient(create_app(pages.hand, AccessRules(TOKEN), now_s=lambda: pages.clocks.now_s))
    assert restarted.get("/api/cellar", headers=copy).status_code == 401, "nor does a restart revive it"
    other = restarted.post("/enter", data={"token": TOKEN}, follow_redirects=False)
    assert other.status_code == 303, "another one may begin"
    assert restarted.get("/api/cellar").status_code == 200
    restarted.close()


def test_a_link_from_a_message_comes_again_so_that_the_strict_cookie_is_sent(pages_over: Over) -> None:
    client = pages_over(TOKEN).client

    answer = client.get("/alerts", headers={"Sec-Fetch-Site": "cross-site"}, follow_redirects=False)

    assert answer.status_code == 200
    assert 'http-equiv="refresh"' in answer.text
    assert "Garage" not in answer.text


def test_strangers_learn_only_whether_all_is_well(pages_over: Over) -> None:
    assert pages_over(TOKEN).client.get("/health").json() == {"ok": True}


def test_a_foreign_name_that_points_at_this_machine_is_refused(pages_over: Over) -> None:
    answer = pages_over(host="evil.example").client.get("/")

    assert answer.status_code == 421
    assert "Hillside" not in answer.text


# --- forms ---------------------------------------------------------------------------------------------------


def test_a_form_without_its_token_does_nothing(pages_over: Over) -> None:
    pages = pages_over()
    pages.client.get(KIT)
    before = len(pages.store.book.entries())

    answer = pages.client.post(f"{KIT}/record/note", data={"text": "smuggled"})

    assert answer.status_code == 403
    assert len(pages.store.book.entries()) == before


def test_a_form_of_another_visitor_does_nothing(pages_over: Over) -> None:
    pages = pages_over()
    theirs = form_token(pages.client.get(KIT).text)
    pages.client.cookies.clear()
    pages.client.get(KIT)

    assert (
        pages.client.post(f"{KIT}/record/note", data={"text": "x", "form_token": theirs}).status_code == 403
    )


@pytest.mark.parametrize("origin", ["http://evil.example", "null"])
def test_a_post_from_another_site_does_nothing(pages_over: Over, origin: str) -> None:
    pages = pages_over()
    token = form_token(pages.client.get(KIT).text)
    alert = pages.hand.alerts(past=False)[0]["id"]

    for path in (f"{KIT}/record/note", f"/alerts/{alert}/acknowledge", f"/api/alerts/{alert}/acknowledge"):
        answer = pages.client.post(path, data={"text": "x", "form_token": token}, headers={"Origin": origin})
        assert answer.status_code == 403
    assert pages.hand.alerts(past=False)[0]["acknowledged_at"] is None


def test_a_check_is_written_corrected_and_compared_with_the_float(pages_over: Over) -> None:
    pages = pages_over()
    token = form_token(pages.client.get(KIT).text)

    answer = pages.client.post(
        f"{KIT}/record/measure", data={"form_token": token, "gravity": "1.001", "celsius": "66F"}
    )

    assert answer.status_code == 200
    assert [step.status_code for step in answer.history] == [303], "to load the page again sends nothing"
    assert "The check is written." in answer.text
    assert "kit-float says" in answer.text.lower() or "Kit-float says" in answer.text
    entry = pages.store.book.entries("Garage kit")[-1]
    assert entry.what.gravity_as_read == 1.001  # type: ignore[union-attr]
    assert entry.what.temperature_c == pytest.approx(18.89, abs=0.01)  # type: ignore[union-attr]
    assert entry.what.gravity == pytest.approx(1.00078, abs=5e-5)  # type: ignore[union-attr]


def test_a_racking_moves_the_lot_and_only_the_ticked_floats(pages_over: Over) -> None:
    pages = pages_over()
    token = form_token(pages.client.get(KIT).text)
    typed = {"form_token": token, "to": "big carboy", "floats_shown": "yes", "at": "2h ago"}

    answer = pages.client.post(f"{KIT}/record/rack", data=typed)

    assert answer.status_code == 200
    assert "Left in garage bucket: kit-float" in answer.text
    history = pages.store.book.history()
    assert history.lots["Garage kit"].vessel == "big carboy"
    assert history.place("kit-float", NOW_MS).vessel == "garage bucket"
    racked = history.lots["Garage kit"].entries[
        -2 if "note" in str(history.lots["Garage kit"].entries[-1].kind) else -1
    ]
    assert racked.what.from_sensors  # type: ignore[union-attr]


def test_bottling_a_wine_that_still_ferments_is_refused_until_a_reason_is_given(pages_over: Over) -> None:
    pages = pages_over()
    token = form_token(pages.client.get(KIT).text)
    typed = {"form_token": token, "bottles": "28"}

    refused = pages.client.post(f"{KIT}/record/bottle", data=typed)
    assert refused.status_code == 409
    assert "Take it all the same, because" in refused.text
    assert 'value="28"' in refused.text, "what was typed is still there"
    assert pages.store.book.history().lots["Garage kit"].bottled_ms is None

    taken = pages.client.post(
        f"{KIT}/record/bottle", data={**typed, "despite": "it is for vinegar"}, follow_redirects=False
    )
    assert taken.status_code in (200, 303)
    assert pages.store.book.history().lots["Garage kit"].bottled_ms == NOW_MS
    assert "it is for vinegar" in pages.client.get(KIT).text


def entry_key(page: str, kind: str) -> str:
    found = re.search(rf'/record/{kind}".*?name="entry_key" value="(\w+)"', page, re.DOTALL)
    assert found is not None
    return found[1]


def test_a_form_is_good_for_one_entry_and_a_restart_does_not_renew_it(pages_over: Over) -> None:
    pages = pages_over()
    page = pages.client.get(f"{KIT}/write/measure").text
    typed = {"form_token": form_token(page), "entry_key": entry_key(page, "measure"), "gravity": "1.001"}
    assert pages.client.post(f"{KIT}/record/measure", data=typed).status_code == 200
    written = len(pages.store.book.entries())

    again = pages.client.post(f"{KIT}/record/measure", data=typed | {"at": "2h ago"})

    assert "This form was sent before" in again.text
    assert len(pages.store.book.entries()) == written
    hand = StoreHand(pages.store, pages.settings, now_ms=lambda: NOW_MS + DAY_MS)
    sent_again = hand.record(
        Wish("Garage kit", "measure", {"gravity": "1.000"}, None, None, typed["entry_key"])
    )
    hand.close()
    assert sent_again.is_repeat
    assert len(pages.store.book.entries()) == written
    assert entry_key(pages.client.get(f"{KIT}/write/measure").text, "measure") != typed["entry_key"]


@pytest.mark.parametrize("way", ["page", "api"])
def test_the_same_entry_within_a_minute_is_asked_about_and_taken_with_a_reason(
    pages_over: Over, way: str
) -> None:
    pages = pages_over()
    first = {"kind": "measure", "gravity": "1,001", "celsius": "19"}
    assert pages.client.post(f"/api{KIT.replace('lot', 'lots')}/entries", json=first).status_code == 201
    written = len(pages.store.book.entries())
    token = form_token(pages.client.get(KIT).text)

    def again(**more: str) -> Response:
        if way == "api":
            return pages.client.post(f"/api{KIT.replace('lot', 'lots')}/entries", json=first | more)
        typed = {"form_token": token, "gravity": "1.001", "celsius": "66,2F", **more}
        return pages.client.post(f"{KIT}/record/measure", data=typed)

    refused = again()
    assert refused.status_code == 409
    assert "he book has the same measure of" in refused.text
    assert "--despite" not in refused.text
    assert len(pages.store.book.entries()) == written
    assert again(despite="I drew it twice").status_code in (200, 201)
    assert len(pages.store.book.entries()) == written + 1


@pytest.mark.parametrize(
    ("kind", "typed", "said"),
    [
        ("measure", {"gravity": "1050"}, "did you mean 1.050"),
        ("measure", {"gravity": "1.010", "celsius": "68"}, "did you mean 68F"),
        ("measure", {"gravity": "1.010", "at": "tomorrow"}, "cannot be read"),
        ("measure", {}, "give at least Gravity as read, The sample's temperature, pH or Free SO"),
        ("rack", {}, "Missing; expected e.g. carboy"),
        ("rack", {"to": "the moon"}, "not in the configuration"),
        ("rack", {"to": "barrel"}, "holds lot"),
        ("add", {"what": "sugar", "amount": "much"}, "is not a number with a unit"),
        ("note", {"text": "  "}, "Missing; expected e.g. smells clean"),
        ("bottle", {"bottles": "many"}, "not a count"),
    ],
)
def test_what_the_commands_refuse_the_forms_refuse(
    pages_over: Over, kind: str, typed: dict[str, str], said: str
) -> None:
    pages = pages_over()
    token = form_token(pages.client.get(KIT).text)
    before = len(pages.store.book.entries())

    answer = pages.client.post(f"{KIT}/record/{kind}", data={**typed, "form_token": token})

    assert answer.status_code == 409
    assert said in answer.text.replace("&#39;", "'")
    assert len(pages.store.book.entries()) == before


def test_an_entry_is_taken_back_and_its_line_stays(pages_over: Over) -> None:
    pages = pages_over()
    page = pages.client.get(KIT).text

    answer = pages.client.post(f"{KIT}/undo/abcdefabcdef", data={"form_token": form_token(page)})

    assert "The entry is undone." in answer.text
    entry = next(e for e in pages.store.book.entries("Garage kit") if isinstance(e.what, Note))
    assert entry.undone_ms == NOW_MS
    assert "(undone)" in answer.text


def test_an_alert_is_acknowledged_with_one_tap(pages_over: Over) -> None:
    pages = pages_over()
    alert = pages.hand.alerts(past=False)[0]["id"]
    token = form_token(pages.client.get("/alerts").text)

    answer = pages.client.post(f"/alerts/{alert}/acknowledge", data={"form_token": token})

    assert "Acknowledged, and still so" in answer.text
    held = pages.store.alerts.get(alert)
    assert held is not None
    assert held.acknowledged_ms == NOW_MS


def test_a_form_longer_than_any_page_asks_for_is_cut_off(pages_over: Over) -> None:
    pages = pages_over()
    token = form_token(pages.client.get(KIT).text)

    answer = pages.client.post(f"{KIT}/record/note", data={"form_token": token, "text": "x" * 100_000})

    assert answer.status_code == 413


# --- trouble -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", ["/", "/api/cellar"])
def test_a_fault_is_told_without_internals(
    pages_over: Over, path: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    pages = pages_over()

    def fails() -> None:
        raise RuntimeError("secret path /home/someone/cellar.db")

    monkeypatch.setattr(pages.hand, "cellar", fails)

    answer = pages.client.get(path)

    assert answer.status_code == 500
    assert "Something went wrong here" in answer.text
    assert "secret" not in answer.text
    assert "RuntimeError" not in answer.text
    assert answer.headers["content-security-policy"]


def test_a_missing_page_and_a_wrong_method_are_said_plainly(pages_over: Over) -> None:
    client = pages_over().client

    assert "There is no such page." in client.get("/nowhere").text
    assert client.post("/").status_code == 405
    assert client.get("/api/nowhere").json() == {"detail": "There is no such page."}


# --- forms about a lot, each one description -----------------------------------------------------------------


def test_every_kind_of_entry_has_its_form(pages_over: Over) -> None:
    client = pages_over().client
    more = client.get(f"{KIT}/write").text

    offered = set(re.findall(r"/write/([a-z-]+)", more))
    kinds = {"start", "measure", "rack", "add", "note", "taste", "bottle", "move", "reanchor", "stage"}
    assert {form.kind for form in (*FORMS.values(), START)} >= kinds
    for name in offered:
        page = client.get(f"{KIT}/write/{name}").text
        assert f"/record/{name}" in page
        assert f"<h1>{FORMS[name].title}</h1>" in page
    assert offered >= {"measure", "rack", "add", "note", "bottle", "taste", "take-out", "reanchor", "stage"}
    assert offered >= {"split", "lose", "dump"}


def test_all_faults_are_said_at_once_each_at_its_field_and_the_first_has_the_focus(pages_over: Over) -> None:
    pages = pages_over()
    typed = {
        "form_token": form_token(pages.client.get(KIT).text),
        "gravity": "much",
        "celsius": "68",
        "ph": "3.3",
        "at": "tomorrow",
    }

    text = pages.client.post(f"{KIT}/record/measure", data=typed).text

    said = dict(re.findall(r'id="fault-(\w+)">(?:.*?</svg>)? ?(.*?)</span>', text, re.DOTALL))
    assert said.keys() == {"gravity", "celsius", "at"}
    assert said["gravity"].startswith("&#39;much&#39; is not a number with a unit")
    assert "did you mean 68F?" in said["celsius"]
    assert re.findall(r'name="(\w+)"[^>]*autofocus', text) == ["gravity"]
    assert 'value="3.3"' in text


def test_what_a_rule_refuses_is_said_at_its_field_in_the_words_of_a_page(pages_over: Over) -> None:
    pages = pages_over()
    typed = {"form_token": form_token(pages.client.get(KIT).text), "to": "barrel"}

    full = pages.client.post(f"{KIT}/record/rack", data=typed).text
    early = pages.client.post(f"{KIT}/record/note", data={**typed, "text": "x", "at": "2020-01-01"}).text
    empty = pages.client.post(f"{KIT}/record/measure", data=typed).text

    assert re.search(r'id="fault-to">.*?holds lot', full, re.DOTALL)
    assert re.search(r'id="fault-at">.*?is before lot', early, re.DOTALL)
    assert "Nothing measured: give at least Gravity as read" in empty
    for text in (full, early, empty):
        assert "--" not in re.sub(r"<!--.*?-->", "", text)


def test_an_entry_is_taken_against_a_rule_for_a_sentence_not_for_a_keystroke(pages_over: Over) -> None:
    pages = pages_over()
    typed = {"form_token": form_token(pages.client.get(KIT).text), "bottles": "28"}

    answer = pages.client.post(f"{KIT}/record/bottle", data={**typed, "despite": "x"})

    assert answer.status_code == 409
    assert "Say it in a sentence" in answer.text
    assert pages.store.book.history().lots["Garage kit"].bottled_ms is None


def test_the_vessel_that_fits_the_volume_is_proposed(pages_over: Over) -> None:
    pages = pages_over()
    litres = pages.client.get("/api/lots/Garage%20kit").json()["litres"]

    offered = re.findall(r'<option value="([^"]+)"', pages.client.get(f"{KIT}/write/rack").text)

    free = [v for v in pages.settings.vessel if v.name in offered]
    best = min((v for v in free if v.litres >= litres), key=lambda v: v.litres)
    assert offered[0] == best.name


def test_an_address_fills_a_form_in(pages_over: Over) -> None:
    text = pages_over().client.get(f"{KIT}/write/add?what=sulfite&amount=1.2g").text

    assert 'value="sulfite"' in text
    assert 'value="1.2g"' in text


def test_a_float_is_made_to_agree_with_the_last_check_from_then_on(pages_over: Over) -> None:
    pages = pages_over()
    token = form_token(pages.client.get(KIT).text)
    check = {"form_token": token, "gravity": "1.010", "celsius": "20", "at": "2h ago"}
    reason = {"despite": "the float is dirty"}
    assert pages.client.post(f"{KIT}/record/measure", data=check | reason).status_code == 200

    page = pages.client.post(f"{KIT}/record/reanchor", data={"form_token": token, "sensor": "kit-float"})

    assert "offset is written" in page.text
    entry = pages.store.book.entries("Garage kit")[-1]
    assert isinstance(entry.what, Reanchor)
    assert entry.at_ms == NOW_MS - 2 * HOUR_MS


def test_a_sensor_is_taken_out(pages_over: Over) -> None:
    pages = pages_over()
    token = form_token(pages.client.get(KIT).text)
    form = {"form_token": token, "sensor": "kit-float", "out": "yes"}

    assert pages.client.post(f"{KIT}/record/take-out", data=form).status_code == 200

    assert pages.store.book.history().place("kit-float", NOW_MS).vessel is None


def test_an_undo_stands_for_a_minute_where_the_writing_is_said(pages_over: Over) -> None:
    pages = pages_over()
    token = form_token(pages.client.get(KIT).text)
    answer = pages.client.post(f"{KIT}/record/note", data={"form_token": token, "text": "clear"})
    entry = pages.store.book.entries("Garage kit")[-1].id

    said = answer.text.partition('id="said"')[2].partition("</div>")[0]
    later = StoreHand(pages.store, pages.settings, now_ms=lambda: NOW_MS + 61_000)
    app = create_app(later, AccessRules(None, None))
    reloaded = TestClient(app, base_url="http://localhost").get(f"{KIT}?done=note&entry={entry}").text
    later.close()

    assert f"{KIT}/undo/{entry}" in said
    assert f"{KIT}/undo/{entry}" not in reloaded.partition('id="said"')[2].partition("</div>")[0]
