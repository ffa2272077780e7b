"""What is written while the daemon runs shows at once, in `cellar`, `alerts` and on the pages, whoever wrote it."""

import json
import re
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from brokers import Broker
from daemons import Daemon, wait_until
from mustwatch.demo import free_port
from page_forms import AtThePage

HOUR_S = 3600.0
CELLAR = """
[cellar]
timezone = "UTC"
backlog_hours = 10000
[mqtt]
port = {broker}
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
[[sensor]]
id = "float"
kind = "float"
vessel = "bucket"
topic = "cellar/float"
decoder = "senml"
"""


class Shed:
    """A daemon on a broker, a float in the bucket, and somebody at the page."""

    def __init__(self, broker: Broker, make: Callable[[str], Daemon]) -> None:
        port = free_port()
        self.broker = broker
        self.daemon = make(CELLAR.format(broker=broker.port, web=port))
        self.daemon.start()
        self.page = AtThePage.of(self.daemon, port)

    def say(self, *said: tuple[float, float]) -> None:
        """Have the float say gravities, each so many hours ago, over the broker."""
        now_s = time.time()
        for hours_ago, gravity in said:
            pack = [
                {"bn": "float/", "bt": now_s - hours_ago * HOUR_S, "n": "gravity", "u": "/", "v": gravity},
                {"n": "temperature", "u": "Cel", "v": 20.0},
            ]
            self.broker.publish(("cellar/float", json.dumps(pack).encode()))

    def fall_to_racking(self) -> None:
        """Let a lot that began five days ago fall from 1.050 to 1.006, and wait until it is due to be racked."""
        hours = [120.0 - step for step in range(120)]
        self.say(*((ago, 1.050 - 0.044 * (120.0 - ago) / 120.0) for ago in hours))
        wait_until(lambda: "rack-due" in self.page.alerts(), 30, "it is due to be racked")


@pytest.fixture
def shed(mosquitto: Broker, daemon_with: Callable[[str], Daemon]) -> Iterator[Shed]:
    made = Shed(mosquitto, daemon_with)
    yield made
    made.page.close()


def ago(hours: float) -> str:
    return (datetime.now(UTC) - timedelta(hours=hours)).isoformat(timespec="seconds")


@pytest.mark.broker
def test_a_lot_begun_on_the_page_has_its_first_gravity_at_once(shed: Shed) -> None:
    assert shed.page.begin("kit", "bucket", gravity="1.050", celsius="20").status_code == 303

    assert shed.page.row("bucket")["gravity"] == pytest.approx(1.050, abs=0.001)


@pytest.mark.broker
def test_a_lot_begun_two_hours_ago_on_the_page_takes_up_what_its_float_has_said(shed: Shed) -> None:
    shed.say(*((0.25 * step, 1.049) for step in range(8, 0, -1)))
    wait_until(lambda: "float" in shed.page.client.get("/sensors").text, 20, "the float is heard")

    assert shed.page.begin("kit", "bucket", celsius="20", at=ago(2.1)).status_code == 303

    assert shed.page.row("bucket")["gravity"] == pytest.approx(1.049, abs=0.001)


@pytest.mark.broker
def test_a_check_a_racking_and_a_bottling_on_the_page_show_at_once(shed: Shed) -> None:
    page = shed.page
    page.begin("kit", "bucket", gravity="1.050", celsius="20", litres="20", at=ago(120.5))
    shed.fall_to_racking()

    assert page.write("kit", "measure", gravity="1.003", celsius="20").status_code in (200, 303)
    assert page.row("bucket")["gravity"] < 1.0055

    assert page.write("kit", "rack", to="carboy", litres="19", floats_shown="yes").status_code in (200, 303)
    assert page.row("carboy")["lot"] == "kit"
    assert page.row("carboy")["stage"] == "secondary"
    assert "rack-due" not in page.alerts()
    assert "rack-due" not in [alert["kind"] for alert in shed.daemon.json("alerts")]
    assert "Ready to rack" not in page.client.get("/").text

    assert page.write("kit", "bottle", bottles="24", despite="it is for vinegar").status_code in (200, 303)
    assert page.row("carboy")["lot"] is None
    assert page.alerts() == []


@pytest.mark.broker
@pytest.mark.parametrize("way", ["api", "command"])
def test_a_racking_by_api_or_command_shows_at_once(shed: Shed, way: str) -> None:
    page = shed.page
    page.begin("kit", "bucket", gravity="1.050", celsius="20", litres="20", at=ago(120.5))
    shed.fall_to_racking()

    if way == "api":
        entry = {"kind": "rack", "to": "carboy", "litres": 19}
        assert page.client.post("/api/lots/kit/entries", json=entry).status_code == 201
    else:
        shed.daemon.done("record", "rack", "kit", "--to", "carboy", "--litres", "19")

    assert "rack-due" not in [alert["kind"] for alert in shed.daemon.json("alerts")]
    assert "rack-due" not in page.alerts()


@pytest.mark.broker
def test_a_racking_taken_back_on_the_page_is_due_again_at_once(shed: Shed) -> None:
    page = shed.page
    page.begin("kit", "bucket", gravity="1.050", celsius="20", litres="20", at=ago(120.5))
    shed.fall_to_racking()
    page.write("kit", "rack", to="carboy", litres="19", floats_shown="yes")
    assert "rack-due" not in page.alerts()
    undo = next(
        line["id"] for line in page.client.get("/api/lots/kit").json()["timeline"] if line["kind"] == "rack"
    )

    page.send("/lot/kit", f"/lot/kit/undo/{undo}")

    assert "rack-due" in page.alerts()


@pytest.mark.broker
def test_a_record_imported_beside_the_daemon_shows_at_once(
    shed: Shed, tmp_path_factory: pytest.TempPathFactory
) -> None:
    page = shed.page
    page.begin("kit", "bucket", gravity="1.050", celsius="20", litres="20", at=ago(50))
    record = tmp_path_factory.mktemp("elsewhere") / "kit.json"
    record.write_text(shed.daemon.done("book", "kit", "--json"), encoding="utf-8")
    first = next(
        line["id"] for line in page.client.get("/api/lots/kit").json()["timeline"] if line["kind"] == "start"
    )
    assert page.client.delete(f"/api/lots/kit/entries/{first}").status_code == 200
    assert page.row("bucket")["lot"] is None

    text = record.read_text(encoding="utf-8").replace(first, f"{'0' * (len(first) - 1)}1")
    record.write_text(text, encoding="utf-8")
    shed.daemon.done("book", "kit", "--import", str(record))

    assert page.row("bucket")["gravity"] == pytest.approx(1.050, abs=0.001)


@pytest.mark.broker
def test_a_check_written_on_the_page_is_asked_about_when_a_command_writes_it_again(shed: Shed) -> None:
    page = shed.page
    page.begin("kit", "bucket", gravity="1,050", celsius="20,5", litres="20", at=ago(50))
    page.write("kit", "measure", gravity="1,031", celsius="18,5 °C")
    check = ("record", "measure", "kit", "--gravity", "1,031", "--celsius", "18,5")

    again = shed.daemon.command(*check)
    assert again.returncode == 2
    assert "the book has the same measure of 'kit' already" in again.stderr
    assert "Traceback" not in again.stderr
    checks = [
        line for line in page.client.get("/api/lots/kit").json()["timeline"] if line["kind"] == "measure"
    ]
    assert len(checks) == 1

    shed.daemon.done(*check, "--despite", "drawn twice")
    checks = [
        line for line in page.client.get("/api/lots/kit").json()["timeline"] if line["kind"] == "measure"
    ]
    assert len(checks) == 2


@pytest.mark.broker
def test_analyses_sulfite_and_the_malolactic_ferment_show_at_once_by_page_api_and_command(shed: Shed) -> None:
    page = shed.page
    page.begin("kit", "bucket", gravity="1.050", celsius="20", litres="20", at=ago(50))
    page.begin("other", "carboy", gravity="1.060", celsius="20", litres="20", at=ago(50))

    def lot(name: str = "kit") -> dict[str, Any]:
        answer: dict[str, Any] = page.client.get(f"/api/lots/{name}").json()
        return answer

    assert page.write("kit", "analysis", free_so2="20", ph="3.4").status_code == 303
    assert lot()["so2"]["free_mg_per_l"] == [20.0, 20.0]
    shed.daemon.done("record", "measure", "kit", "--total-so2", "60", "--malic", "present")
    assert lot()["so2"]["total_mg_per_l"] == 60.0
    begun = {"kind": "malolactic", "state": "begun", "at": ago(1)}
    assert page.client.post("/api/lots/kit/entries", json=begun).status_code == 201
    assert lot()["malolactic"]["state"] == "begun"
    assert "its malolactic ferment runs" in page.client.get("/lot/kit").text
    assert page.write("kit", "malolactic", state="done").status_code == 303
    assert lot()["malolactic"]["state"] == "done"

    wrong = shed.daemon.done(
        "record", "measure", "kit", "--gravity", "1.058", "--celsius", "20", "--despite", "typed wrong"
    )
    entry = re.search(r"\(entry (\w+);", wrong)
    assert entry is not None, wrong
    shed.daemon.done("record", "correct", entry[1], "lot=other")
    assert page.row("carboy")["gravity"] == pytest.approx(1.058, abs=0.001)
    assert page.row("bucket")["gravity"] == pytest.approx(1.050, abs=0.001)
