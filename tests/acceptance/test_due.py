"""What is due over all lots, by command, page and API of a running daemon: done, put off, dropped, and undone."""

from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import httpx
import pytest

from daemons import Daemon, wait_until
from mustwatch.demo import free_port
from page_forms import AtThePage

CELLAR = """
[cellar]
timezone = "UTC"
[mqtt]
port = 1
[web]
port = {web}
[[vessel]]
name = "bucket"
kind = "bucket"
litres = 30
[[vessel]]
name = "carboy"
kind = "carboy"
litres = 23
"""
RED = "the red"


class Cellar:
    """A daemon without a broker, a lot that began eight days ago, and somebody at the page."""

    def __init__(self, make: Callable[[str], Daemon]) -> None:
        port = free_port()
        self.daemon = make(CELLAR.format(web=port))
        begun = (datetime.now(UTC) - timedelta(days=8)).isoformat(timespec="seconds")
        self.daemon.done(
            *(
                "record",
                "start",
                RED,
                "--vessel",
                "bucket",
                "--gravity",
                "1.090",
                "--celsius",
                "20",
                "--at",
                begun,
            )
        )
        self.daemon.start(listening=False)
        self.page = AtThePage.of(self.daemon, port)

    def due(self, *options: str) -> dict[str, dict[str, Any]]:
        return {row["do"]: row for row in self.daemon.json("due", *options)["due"]}


@pytest.fixture
def cellar(daemon_with: Callable[[str], Daemon]) -> Iterator[Cellar]:
    made = Cellar(daemon_with)
    yield made
    made.page.close()


def day(ahead: int) -> str:
    return (datetime.now(UTC) + timedelta(days=ahead)).date().isoformat()


def test_a_reminder_set_by_command_is_seen_by_page_and_api_done_there_and_undone(cellar: Cellar) -> None:
    cellar.daemon.done("remind", "taste it", "--lot", RED, "--on", day(0), "--every", "6 weeks")
    row = cellar.due()["taste it"]
    assert (row["lot"], row["vessel"], row["due"], row["every"]) == (RED, "bucket", "now", "6 weeks")
    assert "taste it" in cellar.page.client.get("/due").text
    assert cellar.page.client.get("/api/due").json()["due"] == list(cellar.due().values())

    done = cellar.page.send("/due", f"/due/{row['id']}", act="done")
    assert done.status_code == 303
    assert "taste it" not in cellar.due()
    coming = cellar.due("--all")["taste it"]
    assert coming["due_at"].startswith(day(42))
    assert coming["id"] == row["id"]

    shown = done.headers["location"]
    entry = dict(pair.split("=") for pair in shown.partition("?")[2].split("&"))["entry"]
    assert cellar.page.send(shown, f"/due/undo/{entry}").status_code == 303
    assert cellar.due()["taste it"]["due_at"].startswith(day(0))


def test_a_reminder_about_no_lot_is_set_at_the_page_and_dropped_by_command(cellar: Cellar) -> None:
    sent = cellar.page.send("/due", "/remind", text="order <b>corks</b>", on="tomorrow")
    assert sent.status_code == 303
    assert "order &lt;b&gt;corks&lt;/b&gt;" in cellar.page.client.get("/due").text
    row = cellar.due("--week")["order <b>corks</b>"]
    assert (row["lot"], row["due"], row["due_at"][:10]) == (None, "later", day(1))

    cellar.daemon.done("due", "--drop", row["id"])
    assert "order <b>corks</b>" not in cellar.due("--all")


def test_by_the_api_a_reminder_is_set_put_off_and_done(cellar: Cellar) -> None:
    api = cellar.page.client
    made = api.post("/api/reminders", json={"text": "wash the barrel", "on": day(0)})
    assert made.status_code == 201
    row = cellar.due()["wash the barrel"]

    put_off = api.post(f"/api/due/{row['id']}", json={"act": "put-off", "until": "in 2 weeks"})
    assert put_off.status_code == 200
    assert "wash the barrel" not in cellar.due()
    assert cellar.due("--all")["wash the barrel"]["due_at"].startswith(day(14))
    assert api.post(f"/api/due/{row['id']}", json={"act": "done"}).status_code == 200
    assert "wash the barrel" not in cellar.due("--all")
    assert api.post(f"/api/due/{row['id']}", json={"act": "done"}).status_code == 404


def test_what_the_book_shows_is_not_merely_said_to_be_done(cellar: Cellar) -> None:
    dip = next(row for row in cellar.due().values() if row["item"] == "dip")
    assert dip["how"] == f"mustwatch record measure {RED!r} --gravity G --celsius T"

    refused = cellar.daemon.command("due", "--done", dip["id"])
    assert (refused.returncode, refused.stdout) == (2, "")
    assert f"mustwatch record measure {RED!r}" in refused.stderr
    assert cellar.page.client.post(f"/api/due/{dip['id']}", json={"act": "done"}).status_code == 422

    cellar.daemon.done("record", "measure", RED, "--gravity", "1.020", "--celsius", "20")
    assert "dip" not in {row["item"] for row in cellar.due().values()}


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("remind", "x"), "when? expected --on a day such as 2027-03-01"),
        (("remind", "x", "--on", "soon"), "--on 'soon' cannot be read"),
        (("remind", "x", "--on", "2027-03-01", "--every", "often"), "--every 'often' cannot be read"),
        (("remind", " ", "--on", "2027-03-01"), "missing; expected e.g. taste it"),
        (("remind", "x", "--on", "1999-03-01"), "on '1999-03-01': expected a date"),
        (("remind", "x", "--lot", "rd", "--on", "2027-03-01"), "lot 'rd' is not in the book"),
        (("due", "--done", "12345678"), "nothing that is due has the id '12345678'"),
        (("due", "--done", "1", "--drop", "1"), "exclude each other"),
    ],
)
def test_what_cannot_be_read_is_said_in_a_line_and_nothing_is_written(
    cellar: Cellar, words: tuple[str, ...], said: str
) -> None:
    before = cellar.due("--all")
    refused = cellar.daemon.command(*words)

    assert refused.returncode == 2
    assert said in refused.stderr
    assert len(refused.stderr.strip().splitlines()) == 1
    assert cellar.due("--all").keys() == before.keys()


def test_a_form_that_cannot_be_read_keeps_what_was_typed_and_says_why(cellar: Cellar) -> None:
    cellar.daemon.done("remind", "order corks", "--on", day(0))
    row = cellar.due()["order corks"]

    refused = cellar.page.send("/due", "/remind", text="taste it", on="soon", lot=RED)
    assert refused.status_code == 409
    assert "&#39;soon&#39; cannot be read" in refused.text
    assert 'value="taste it"' in refused.text
    refused = cellar.page.send("/due", f"/due/{row['id']}", act="put-off")
    assert refused.status_code == 409
    assert "put off until when?" in refused.text
    assert cellar.due()["order corks"]["due_at"] == row["due_at"]


TOKEN = "a token of these tests"


def test_a_phone_subscribes_by_the_calendars_address_alone_and_sees_nothing_else(
    daemon_with: Callable[[str], Daemon],
) -> None:
    port = free_port()
    daemon = daemon_with(CELLAR.format(web=port).replace("[web]", f'[web]\ntoken = "{TOKEN}"'))
    daemon.done("remind", "order corks", "--on", day(3))
    daemon.start(listening=False)
    wait_until(lambda: "pages at" in daemon.said(), 20, "the pages are served")
    path = daemon.json("calendar")["address"].partition(f":{port}")[2]
    base = f"http://127.0.0.1:{port}"

    with httpx.Client(base_url=base, timeout=60.0) as phone:
        feed = phone.get(path)
        assert (feed.status_code, feed.headers["content-type"]) == (200, "text/calendar; charset=utf-8")
        assert "SUMMARY:order corks\r\n" in feed.text
        again = phone.get(path, headers={"If-None-Match": feed.headers["etag"]})
        assert (again.status_code, again.content) == (304, b"")
        assert phone.get("/due").status_code == 303
        assert phone.get("/api/due").status_code == 401
        assert phone.get("/calendar/anything.ics").status_code == 404
        assert phone.post("/calendar").headers["location"].startswith("/enter")

        signed = {"Authorization": f"Bearer {TOKEN}"}
        assert phone.get("/api/calendar", headers=signed).json() == {"address": base + path}
        renewed = phone.post("/api/calendar", headers=signed).json()["address"]
        assert phone.get(path).status_code == 404
        assert phone.get(renewed).status_code == 200
    assert path not in daemon.said()
