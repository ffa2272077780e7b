"""The stock of bottles by command, page and API of a running daemon: filled, opened, given away, lost, and undone."""

from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from daemons import Daemon
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
name = "carboy"
kind = "carboy"
litres = 23
"""


def ago(days: float) -> str:
    return (datetime.now(UTC) - timedelta(days=days)).isoformat(timespec="seconds")


class Cellar:
    """A daemon without a broker, a red that is bottled today, and somebody at the page."""

    def __init__(self, make: Callable[[str], Daemon]) -> None:
        port = free_port()
        self.daemon = make(CELLAR.format(web=port))
        self.record(
            "start", "--vessel", "carboy", "--gravity", "1.090", "--celsius", "20", "--litres", "21", at=90
        )
        for days in (10, 0.2):
            self.record("measure", "--gravity", "0.994", "--celsius", "20", at=days)
        self.record("add", "metabisulfite", "1.2g", at=0.15)
        self.daemon.start(listening=False)
        self.page = AtThePage.of(self.daemon, port)

    def record(self, what: str, *words: str, at: float) -> None:
        self.daemon.done("record", what, "red", *words, "--at", ago(at))

    def stock(self) -> Any:
        return self.daemon.json("stock")


@pytest.fixture
def cellar(daemon_with: Callable[[str], Daemon]) -> Iterator[Cellar]:
    made = Cellar(daemon_with)
    yield made
    made.page.close()


def test_what_is_bottled_at_the_page_stands_in_the_stock_until_the_last_bottle(cellar: Cellar) -> None:
    assert cellar.stock() | {"at": None} == {"at": None, "wines": [], "bottlings": []}
    sent = cellar.page.write(
        "red",
        "bottle",
        bottles="26",
        closure="cork",
        drink_from="2020-01-01",
        drink_until="2199-12-31",
        at=ago(0.1),
    )
    assert sent.status_code == 303, sent.text
    cellar.record("bottle", "4", "--bottle-ml", "375", "--closure", "crown cap", at=0.05)

    document = cellar.stock()
    (wine,) = document["wines"]
    assert (wine["lot"], wine["bottles"], wine["left"], wine["litres_left"]) == ("red", 30, 30, 21.0)
    large, small = document["bottlings"]
    assert (large["closure"], large["bottle_ml"], small["closure"], small["bottle_ml"]) == (
        "cork", 750.0, "crown cap", 375.0,
    )  # fmt: skip
    assert large["abv_percent"] == pytest.approx(
        12.9, abs=0.6
    )  # 1.090 to 0.994; 131.25 x the fall: common practice
    # 1.2 g of potassium metabisulfite, 57.6 % SO2 by its formula, in 21 L: 32.9 mg/L.
    assert large["total_so2_mg_per_l"] == pytest.approx(1200 * 0.576 / 21, abs=1.0)
    assert large["when"] == "now, until 2199-12-31"
    assert "26 of 750 mL" in cellar.page.client.get("/stock").text

    opened = cellar.page.send(
        "/stock", f"/stock/{large['id']}", fate="opened", bottles="2", text="ripe <i>fruit</i>"
    )
    assert opened.status_code == 303, opened.text
    cellar.daemon.done("stock", "--give", large["id"][:6], "--bottles", "6", "--note", "to a neighbour")
    lost = cellar.page.client.post(f"/api/stock/{small['id']}", json={"fate": "lost", "text": "it burst"})
    assert lost.status_code == 201

    large, small = cellar.stock()["bottlings"]
    assert [large[key] for key in ("opened", "given", "lost", "left")] == [2, 6, 0, 18]
    assert [small[key] for key in ("opened", "given", "lost", "left")] == [0, 0, 1, 3]
    assert cellar.page.client.get("/api/stock").json()["bottlings"] == [large, small]
    assert "ripe &lt;i&gt;fruit&lt;/i&gt;" in cellar.page.client.get("/stock").text
    assert "a bottle lost: it burst" in cellar.daemon.done("book", "red")
    for row in (large, small):
        assert row["bottles"] == row["left"] + sum(note["bottles"] for note in row["notes"])

    cellar.daemon.done("record", "undo", "--id", lost.json()["id"])
    assert cellar.stock()["wines"][0]["left"] == 22


def test_more_than_there_is_cannot_be_taken_and_nothing_is_written(cellar: Cellar) -> None:
    cellar.record("bottle", "3", "--in-part", at=0.1)
    (row,) = cellar.stock()["bottlings"]

    refused = cellar.daemon.command("stock", "--open", row["id"], "--bottles", "4")
    assert (refused.returncode, refused.stdout) == (2, "")
    assert "of the 3 bottles of 'red' filled" in refused.stderr
    at_the_page = cellar.page.send(
        "/stock", f"/stock/{row['id']}", fate="opened", bottles="four", text="good"
    )
    assert at_the_page.status_code == 409
    assert "&#39;four&#39; is not a count" in at_the_page.text
    assert 'value="good"' in at_the_page.text
    assert (
        cellar.page.client.post(f"/api/stock/{row['id']}", json={"fate": "lost", "bottles": 9}).status_code
        == 409
    )
    assert cellar.page.client.post("/api/stock/nothing", json={"fate": "lost"}).status_code == 404
    assert cellar.daemon.command("stock", "--open", "zzzz").returncode == 2
    assert cellar.stock()["bottlings"] == [row]
    kept = cellar.daemon.command(
        "record", "bottle", "red", "3", "--drink-from", "2028-01-01", "--drink-until", "2027-01-01"
    )
    assert kept.returncode == 2
    assert "the earlier day first" in kept.stderr
