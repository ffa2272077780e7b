"""What two lots with nobody acting send in three weeks: a kit that finishes, and a country wine that sticks."""

import tomllib
from dataclasses import replace
from datetime import datetime
from itertools import pairwise
from pathlib import Path

import pytest

from mustsim import cellar as mustsim_cellar
from mustsim.configuration import mustwatch_toml
from mustsim.lines import json_lines
from mustsim.scenario import load
from mustwatch.alerting.message import Message, MessageKind
from mustwatch.app.morning_job import morning_job
from mustwatch.cellar.book import Entry, Start
from mustwatch.cellar.instant import DAY_MS, HOUR_MS, to_ms
from mustwatch.config.plan import plan_of
from mustwatch.config.settings import Settings
from mustwatch.config.shipped import shipped
from mustwatch.replay.record import arrival_of
from mustwatch.replay.replay import Replay
from mustwatch.store.store import Store

LOTS = ("Hillside red", "Elder country")
"""Of the demo's cellar: one is due to be racked on the fifth day, the other sticks at about 1.024."""
ENDS_MS = to_ms(datetime.fromisoformat("2026-10-24T11:00:00+02:00"))


def three_weeks(folder: Path, seed: int, tell: str) -> list[Message]:
    """Let the cellar live from morning to morning, as the daemon would, and return what was put in the outbox."""
    scenario = load(shipped("demo", "cellar-scenario.toml"))
    lots = tuple(lot for lot in scenario.lots if lot.name in LOTS)
    vessels = {lot.vessel for lot in lots}
    sensors = tuple(s for s in scenario.sensors if s.vessel in vessels or s.vessel is None)
    scenario = replace(scenario, lots=lots, sensors=sensors, actions=())
    simulated = mustsim_cellar.run(scenario, seed, ending_ms=ENDS_MS)
    text = mustwatch_toml(scenario).replace("[cellar]", '[cellar]\ntimezone = "Europe/Vienna"')
    settings = Settings(**tomllib.loads(f'{text}\n[store]\npath = "{folder / "cellar.db"}"\n{tell}'))
    plan = plan_of(settings)
    store = Store(folder / "cellar.db", simulated.begins_ms)
    for number, lot in enumerate(lots):
        start = Start(lot.vessel, profile=lot.profile, gravity=lot.must.gravity, litres=lot.litres)
        store.book.append(Entry(f"{number}", lot.name, simulated.begins_ms, simulated.begins_ms, start))
    lines = [(arrival_of(line).received_ms, line) for line in json_lines(simulated)]
    clock = [simulated.begins_ms]
    morning = morning_job(store, settings, plan, lambda: clock[0], lambda: None)
    place = 0
    nine_ms = simulated.begins_ms + (-simulated.begins_ms - 2 * HOUR_MS + 9 * HOUR_MS) % DAY_MS
    for morning_ms in range(nine_ms, simulated.ends_ms, DAY_MS):  # 09:00 in Vienna's summer time
        clock[0] = morning_ms
        begin = place
        while place < len(lines) and lines[place][0] < clock[0]:
            place += 1
        Replay(store, plan).run([line for _, line in lines[begin:place]], clock[0])
        morning.run(clock[0])
    messages = [row.message for row in store.outbox.waiting()]
    store.close()
    return messages


PHONE = '[[tell]]\nurl = "json://127.0.0.1:9/"\nname = "phone"\n'
MOST = 14


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> list[Message]:
    return three_weeks(tmp_path_factory.mktemp("three-weeks"), 3, PHONE)


def test_two_lots_with_nobody_acting_send_no_more_than_fourteen_messages(told: list[Message]) -> None:
    assert 0 < len(told) <= MOST, [(m.kind.value, m.title) for m in told]


def test_none_is_missing_that_asks_for_an_act_within_a_day(told: list[Message]) -> None:
    """The red's racking falls due on the fifth day, and the country wine stands still above dryness."""
    first = {m.title for m in told if m.kind is MessageKind.FIRST}

    assert any(title.startswith("Ready to rack: Hillside red") for title in first), first
    assert any(title.startswith("Fermentation has stopped early: Elder country") for title in first), first


def test_reminders_of_a_stuck_wine_grow_rarer_and_carry_the_days_figures(told: list[Message]) -> None:
    reminders = [
        m for m in told if m.kind is MessageKind.REPEAT and "stopped early: Elder country" in m.title
    ]
    stuck = next(m for m in told if m.title.startswith("Fermentation has stopped early: Elder country"))
    waits = [later.created_ms - earlier.created_ms for earlier, later in pairwise([stuck, *reminders])]

    assert len(reminders) >= 2
    assert waits == sorted(waits)
    assert waits[-1] >= 2 * waits[0] - HOUR_MS
    assert len({m.body.splitlines()[0] for m in reminders}) == len(reminders), "each says how it is that day"


def test_a_morning_is_at_most_a_phones_screen(told: list[Message]) -> None:
    mornings = [m for m in told if m.kind is MessageKind.REVIEW]

    assert mornings
    assert all(len(m.body.splitlines()) <= 8 for m in mornings)
