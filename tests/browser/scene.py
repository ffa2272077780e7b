"""An invented cellar on disk for looking at the pages: the demo's three weeks, ending at a chosen instant."""

import tomllib
from collections.abc import Callable
from pathlib import Path

from mustsim import cellar as mustsim_cellar
from mustsim.configuration import mustwatch_toml
from mustsim.lines import json_lines
from mustsim.scenario import load
from mustwatch.cellar.book import Entry
from mustwatch.demo import what_of
from mustwatch.evaluation import Evaluation
from mustwatch.plan import plan_of
from mustwatch.replay import Replay
from mustwatch.settings import Settings
from mustwatch.shipped_config import shipped
from mustwatch.store.store import Store

SEED = 3
ZONE = "Europe/Vienna"


def scene(folder: Path, ends_ms: int, more_toml: str = "", and_then: Callable[[Store], None] | None = None) -> Settings:
    """Write the cellar's configuration and store into a folder, and return its settings.

    Args:
        folder: where to; ``mustwatch.toml`` and ``cellar.db``.
        ends_ms: the present of the cellar, milliseconds since the epoch.
        more_toml: further entries of the configuration (vessels, sensors).
        and_then: does more with the store before it is closed.
    """
    scenario = load(shipped("demo", "cellar-scenario.toml"))
    simulated = mustsim_cellar.run(scenario, SEED, ending_ms=ends_ms)
    text = mustwatch_toml(scenario).replace("[cellar]", f'[cellar]\ntimezone = "{ZONE}"')
    text = text.replace(f'name = "{scenario.title}"', 'name = "The cellar at Hillside"')
    text += f'\n[store]\npath = "{folder / "cellar.db"}"\n{more_toml}'
    (folder / "mustwatch.toml").write_text(text, encoding="utf-8")
    settings = Settings(**tomllib.loads(text))
    store = Store(folder / "cellar.db", ends_ms)
    try:
        plan = plan_of(settings)
        Replay(store, plan).run(json_lines(simulated), ends_ms)
        profiles = {lot.name: lot.profile for lot in scenario.lots}
        for number, done in enumerate((d for d in simulated.truth.actions if d.written), 1):
            what = what_of(done, profiles[done.lot])
            store.book.append(Entry(f"{number:012x}", done.lot, done.at_ms, done.at_ms, what))
        evaluate(store, settings, ends_ms)
        if and_then is not None:
            and_then(store)
    finally:
        store.close()
    return settings


def evaluate(store: Store, settings: Settings, now_ms: int) -> None:
    """Have every lot whose book changed evaluated again, as the daemon would."""
    evaluation = Evaluation(store, plan_of(settings), now_ms)
    evaluation.read_book()
    with store.transaction():
        evaluation.commit(now_ms)
    evaluation.advance(now_ms)
    with store.transaction():
        evaluation.commit(now_ms)
