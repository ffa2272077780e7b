"""Hours after an alert opened, everything that speaks of it says the same figures: those of now, not of the opening."""

import html
import json
import re
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest

from cellars import PLAN, T0, new_store
from mustwatch.alerting.rules import TellRules, TellTarget
from mustwatch.app.web_backend import StoreHand
from mustwatch.cellar.instant import DAY_MS, HOUR_MS, MINUTE_MS
from mustwatch.cellar.reading import Reading
from mustwatch.config.plan import plan_of
from mustwatch.config.settings import Settings
from mustwatch.evaluation.live import Evaluation
from mustwatch.store.store import Store
from mustwatch.views.night import night_view
from mustwatch.watch.finding import kind_named
from mustwatch.web.access import AccessRules
from mustwatch.web.app import create_app
from web_cellar import TestClient

TOML = """
[cellar]
timezone = "UTC"
[[vessel]]
name = "bucket"
kind = "bucket"
litres = 30
[[sensor]]
id = "float"
kind = "float"
vessel = "bucket"
topic = "cellar/float"
decoder = "senml"
[store]
path = "{path}"
"""
COLD_FROM_MS = T0 + 2 * DAY_MS + 10 * HOUR_MS
"""At ten in the morning, so that the whole night that follows is cold."""
NOW_MS = COLD_FROM_MS + 25 * HOUR_MS


def celsius_at(at_ms: int) -> float:
    """19 °C; then the cellar gets cold, 12.4 °C at its worst after six hours, and 13.1 °C from the twelfth on."""
    cold_h = (at_ms - COLD_FROM_MS) / HOUR_MS
    if cold_h < 0:
        return 19.0
    if cold_h < 6:
        return 14.5 - 0.35 * cold_h
    return min(13.1, 12.4 + 0.15 * (cold_h - 6))


def heard(until_ms: int) -> Iterator[Reading]:
    for at_ms in range(T0, until_ms, 15 * MINUTE_MS):
        gravity = 1.050 - 0.008 * (at_ms - T0) / DAY_MS
        yield Reading("float", at_ms, at_ms + 1000, round(gravity, 5), None, round(celsius_at(at_ms), 2))


@dataclass(frozen=True)
class Cold:
    """A cellar with a wine that has been too cold for a day, and everything there is to read of it."""

    store: Store
    settings: Settings
    config: Path

    def command(self, *arguments: str) -> str:
        run = [sys.executable, "-m", "mustwatch", "--config", str(self.config), *arguments]
        return subprocess.run(run, capture_output=True, text=True, check=True).stdout

    def page(self, path: str) -> str:
        hand = StoreHand(self.store, self.settings, now_ms=lambda: NOW_MS)
        app = create_app(hand, AccessRules(None, None), now_s=lambda: NOW_MS / 1000)
        answer = TestClient(app, base_url="http://127.0.0.1").get(path)
        assert answer.status_code == 200, answer.text
        return html.unescape(answer.text)

    def alert(self) -> dict[str, Any]:
        return next(a for a in json.loads(self.command("alerts", "--json")) if a["kind"] == "too-cold")


@pytest.fixture(scope="module")
def cold(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cold]:
    folder = tmp_path_factory.mktemp("cold")
    text = TOML.replace("{path}", str(folder / "cellar.db"))
    (folder / "mustwatch.toml").write_text(text, encoding="utf-8")
    settings = Settings.model_validate(
        {
            "cellar": {"timezone": "UTC"},
            "vessel": [{"name": "bucket", "kind": "bucket", "litres": 30}],
            "sensor": [
                {
                    "id": "float",
                    "kind": "float",
                    "vessel": "bucket",
                    "topic": "cellar/float",
                    "decoder": "senml",
                }
            ],
            "store": {"path": folder / "cellar.db"},
        }
    )
    store = new_store(folder / "cellar.db")
    plan = replace(plan_of(settings), rules=TellRules(targets=(TellTarget("phone"),)))
    evaluation = Evaluation(store, plan, T0)
    evaluation.read_book()
    for reading in heard(NOW_MS):
        evaluation.take(reading)
        evaluation.advance(reading.observed_ms)
        with store.transaction():
            evaluation.commit(reading.received_ms)
    yield Cold(store, settings, folder / "mustwatch.toml")
    store.close()


def test_the_alert_keeps_the_evidence_of_its_opening_and_adds_what_is_now(cold: Cold) -> None:
    alert = cold.alert()

    assert alert["evidence"]["minutes_beyond"] == 30
    assert alert["evidence"]["celsius"] == pytest.approx(14.3, abs=0.2)
    assert alert["now"]["celsius"] == 13.1
    assert alert["now"]["worst_celsius"] == 12.4
    assert alert["now"]["minutes_beyond"] == pytest.approx(24.75 * 60, abs=15)


def test_card_alert_page_message_and_command_say_the_same_at_the_same_instant(cold: Cold) -> None:
    (reminder,) = [
        r.message for r in cold.store.outbox.waiting() if r.message.title.startswith("Reminder, too cold")
    ]
    row = json.loads(cold.command("cellar", "--json"))["vessels"][0]
    api = next(a for a in json.loads(cold.page("/api/alerts")) if a["kind"] == "too-cold")

    assert row["celsius"] == api["now"]["celsius"] == cold.alert()["now"]["celsius"] == 13.1
    sentence = "The must is at 13.1 °C, below its limit of 15.0 °C."
    told = {
        "the alerts' page": cold.page("/alerts"),
        "the reminder": reminder.body,
        "mustwatch alerts": cold.command("alerts"),
        "mustwatch cellar": cold.command("cellar"),
        "the API": api["why"],
    }
    for where, text in told.items():
        assert sentence in text, where
        assert "30 minutes" not in text, where
    card = " ".join(re.sub("<[^>]*>", " ", cold.page("/")).split())
    assert re.search(
        r"Too cold for 2[45] hours: 13\.1 °C, limit 15\.0 °C, lowest 12\.4 °C at 16:\d\d, not moving", card
    )
    for where in ("the alerts' page", "the reminder", "the API"):
        assert "At worst it was at 12.4 °C." in told[where], where
        (hours,) = set(re.findall(r"It has been for (\d+) hours", told[where]))
        assert int(hours) in (24, 25), where


def test_a_swing_is_told_as_far_as_it_has_come_as_on_the_night_s_page(tmp_path: Path) -> None:
    store = new_store(tmp_path / "c.db")
    settings = Settings.model_validate({"cellar": {"timezone": "UTC"}})
    evaluation = Evaluation(store, PLAN, T0)
    evaluation.read_book()
    evening_ms, morning_ms = T0 + DAY_MS + 18 * HOUR_MS, T0 + 2 * DAY_MS + 9 * HOUR_MS
    for reading in heard(morning_ms):
        fallen = max(0.0, (reading.observed_ms - evening_ms) / HOUR_MS)
        evaluation.take(reading._replace(temperature_c=round(22.0 - 0.7 * fallen, 2)))
    evaluation.advance(morning_ms + 5 * MINUTE_MS)
    with store.transaction():
        evaluation.commit(morning_ms + 5 * MINUTE_MS)

    swing = next(a for a in store.alerts.open() if a.kind is kind_named("night-swing"))
    night = next(r for r in night_view(store, settings, morning_ms + 1)["vessels"] if r["lot"] == "kit")

    opened = swing.evidence["swing_celsius"]
    assert isinstance(opened, float)
    assert opened < 7.0
    for key, of_night in (("swing", "swing"), ("lowest", "minimum"), ("highest", "maximum")):
        assert swing.figures()[f"{key}_celsius"] == pytest.approx(night[of_night], abs=0.01)
    assert f"a swing of {night['swing']:.1f} °C" in swing.summary
    store.close()
