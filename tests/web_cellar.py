"""The pages over an invented cellar, for tests: the demo's three weeks on disk, ending at a chosen instant.

web_scene    the cellar's folder, made once; copy it before writing (see ``copied``)
pages_over   make the application over a copy of it, with a client: pages_over(token="…")
"""

import shutil
import tomllib
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

import pytest

from mustwatch.alerting.message import MessageKind, written_message
from mustwatch.app.web_backend import StoreHand
from mustwatch.cellar.book import Entry, Note
from mustwatch.cellar.instant import DAY_MS, HOUR_MS, to_ms
from mustwatch.config.plan import plan_of
from mustwatch.config.settings import Settings
from mustwatch.config.shipped import shipped
from mustwatch.evaluation.live import Evaluation
from mustwatch.replay.replay import Replay
from mustwatch.store.readings import Unreadable
from mustwatch.store.rollup import roll_up
from mustwatch.store.store import Store
from mustwatch.web.access import AccessRules
from mustwatch.web.app import create_app

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # it would rather have another client; this one does
    from starlette.testclient import TestClient

SEED = 3
ZONE = "Europe/Vienna"
NOW_MS = to_ms(datetime.fromisoformat("2026-10-24T06:12:00+02:00"))
"""Six in the morning of an October day, after a night that was too cold for one of the lots."""
HOSTILE = "<script>alert(1)</script>"
TOKEN = "a token of the tests"


def make_cellar(
    folder: Path, ends_ms: int = NOW_MS, days: float | None = None, scenario_name: str | None = None
) -> Settings:
    """Write the cellar's configuration and store into a folder, and return its settings.

    With ``days`` the cellar lives only so long: its later lots have not begun, its earlier ones still ferment.
    ``scenario_name`` is one of the simulator's; else it is the demo's cellar.
    """
    # Imported here: this module is read for every test run, and the simulators bring numpy.
    from mustsim import cellar as mustsim_cellar
    from mustsim.configuration import mustwatch_toml
    from mustsim.lines import json_lines
    from mustsim.scenario import load
    from mustwatch.demo import what_of

    scenario = load(scenario_name or shipped("demo", "cellar-scenario.toml"))
    if days is not None:
        lots = tuple(lot for lot in scenario.lots if lot.from_day < days)
        kept = {lot.name for lot in lots}
        scenario = replace(
            scenario,
            days=days,
            lots=lots,
            sensors=tuple(sensor for sensor in scenario.sensors if sensor.from_day < days),
            actions=tuple(action for action in scenario.actions if action.lot in kept),
        )
    simulated = mustsim_cellar.run(scenario, SEED, ending_ms=ends_ms)
    text = mustwatch_toml(scenario).replace("[cellar]", f'[cellar]\ntimezone = "{ZONE}"')
    text = text.replace(f'name = "{scenario.title}"', 'name = "The cellar at Hillside"')
    text += f'\n[store]\npath = "{folder / "cellar.db"}"\n'
    (folder / "mustwatch.toml").write_text(text, encoding="utf-8")
    settings = Settings(**tomllib.loads(text))
    store = Store(folder / "cellar.db", ends_ms)
    try:
        profiles = {lot.name: lot.profile for lot in scenario.lots}
        for number, done in enumerate((d for d in simulated.truth.actions if d.written), 1):
            what = what_of(done, profiles[done.lot])
            store.book.append(Entry(f"{number:012x}", done.lot, done.at_ms, done.at_ms, what))
        Replay(store, plan_of(settings)).run(json_lines(simulated), ends_ms)
        evaluate(store, settings, ends_ms)
        roll_up(store.database, ends_ms)
    finally:
        store.close()
    return settings


def add_trouble(store: Store, now_ms: int) -> None:
    """Put in what a real cellar also has: unreadable payloads, undelivered messages, and words that are markup."""
    store.readings.quarantine(
        [
            Unreadable(
                now_ms - HOUR_MS, f"cellar/{HOSTILE}", b'{"gravity": "wet"}', "not-a-number", "gravity"
            ),
            Unreadable(
                now_ms - 2 * HOUR_MS,
                "cellar/attic",
                b"\xff\xfe\x00<img src=x onerror=alert(2)>",
                "not-utf-8",
                "",
            ),
        ]
    )
    lost = written_message(
        MessageKind.TEST, "phone", "Ready to rack: Garage kit", "…", now_ms - DAY_MS, DAY_MS * 7, "a"
    )
    store.outbox.put([lost])
    store.outbox.mark_attempt(lost.id, now_ms - HOUR_MS)
    store.outbox.mark_failed(
        lost.id, now_ms - HOUR_MS, f"no route to host {HOSTILE}", now_ms + HOUR_MS, False
    )
    note = Note(f"{HOSTILE} \"quoted\" & 'more' <b>bold</b> {{{{ 7 * 7 }}}}")
    store.book.append(Entry("abcdefabcdef", "Garage kit", now_ms - HOUR_MS, now_ms - HOUR_MS, note))


def evaluate(store: Store, settings: Settings, now_ms: int) -> None:
    """Have every lot whose book changed evaluated again, as the daemon would."""
    evaluation = Evaluation(store, plan_of(settings), now_ms)
    evaluation.read_book()
    evaluation.settle(now_ms)
    evaluation.advance(now_ms)
    evaluation.settle(now_ms)


def copied(scene: Path, folder: Path) -> Settings:
    """Copy a cellar into a folder of its own, and return the settings of the copy."""
    shutil.copytree(scene, folder)
    config = folder / "mustwatch.toml"
    config.write_text(config.read_text("utf-8").replace(str(scene), str(folder)), encoding="utf-8")
    return Settings(**tomllib.loads(config.read_text("utf-8")))


@dataclass
class Clocks:
    """The clocks of the application under test, moved by hand."""

    mono_s: float = 1_000.0
    now_s: float = NOW_MS / 1000


@dataclass
class Pages:
    """An application over a cellar, with a browser's worth of a client."""

    client: TestClient
    store: Store
    settings: Settings
    hand: StoreHand
    clocks: Clocks


@pytest.fixture(scope="session")
def web_scene(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder of the invented cellar; read only."""
    folder = tmp_path_factory.mktemp("scene") / "cellar"
    folder.mkdir()
    settings = make_cellar(folder)
    store = Store(settings.store.path, NOW_MS)
    add_trouble(store, NOW_MS)
    evaluate(store, settings, NOW_MS)
    store.close()
    return folder


@pytest.fixture
def pages_over(web_scene: Path, tmp_path: Path) -> Iterator[Callable[..., Pages]]:
    """Make applications over copies of the invented cellar."""
    made: list[Pages] = []

    def make(token: str | None = None, base_url: str | None = None, host: str = "localhost") -> Pages:
        settings = copied(web_scene, tmp_path / f"cellar-{len(made)}")
        store = Store(settings.store.path, NOW_MS)
        clocks = Clocks()
        hand = StoreHand(store, settings, now_ms=lambda: NOW_MS)
        app = create_app(
            hand, AccessRules(token, base_url), mono_s=lambda: clocks.mono_s, now_s=lambda: clocks.now_s
        )
        client = TestClient(app, base_url=f"http://{host}", raise_server_exceptions=False)
        made.append(Pages(client, store, settings, hand, clocks))
        return made[-1]

    yield make
    for pages in made:
        pages.client.close()
        pages.hand.close()
        pages.store.close()
