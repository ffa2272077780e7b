"""The first hour on the page: what arrives on the broker, the entry it needs, and then the lot that begins."""

import html
import json
from collections.abc import Callable

import pytest

from brokers import Broker
from daemons import Daemon, wait_until
from mustwatch.demo import free_port
from page_forms import AtThePage

pytestmark = pytest.mark.broker

CELLAR = """
[mqtt]
port = {broker}
[web]
port = {web}
[[vessel]]
name = "bucket"
kind = "bucket"
litres = 30
"""
HOSTILE = "<script>alert(1)</script>"


def test_what_arrives_is_shown_with_the_entry_it_needs_until_a_lot_begins(
    mosquitto: Broker, daemon_with: Callable[[str], Daemon]
) -> None:
    web = free_port()
    daemon = daemon_with(CELLAR.format(broker=mosquitto.port, web=web))
    daemon.start()
    page = AtThePage.of(daemon, web)

    assert "nothing was said so far" in page.client.get("/").text
    said = json.dumps({"sg": 1.052, "temp": 19.5, "battery": 3.9, "note": HOSTILE}).encode()

    def shown() -> str:
        mosquitto.publish(("shed/ferment-a", said))
        return html.unescape(page.client.get("/").text)

    wait_until(lambda: "shed/ferment-a" in shown(), 30, "what arrives is shown")
    text = shown()
    assert "not configured yet" in text
    assert 'topic = "shed/ferment-a"' in text
    assert 'gravity = { path = "sg", unit = "SG" }' in text
    assert 'vessel = "bucket"' in text
    assert HOSTILE not in page.client.get("/").text

    assert page.begin("Kit", "bucket", gravity="1.090").status_code == 303
    assert "Arriving on the broker" not in page.client.get("/").text
    page.close()
