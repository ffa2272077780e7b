"""The same cellars through the real pipeline, as ``mustwatch replay`` does: does it conclude what was scored?

Messages as lines of JSON in the order they were sent, late bursts and duplicates included, into a store on disk, with
the book written beforehand. What the store's log of findings then says of each lot is compared with the watch run
directly on the case.
"""

import json
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from watch_case import Case, cases_of, configured, entries_of
from watch_run import drawn, found, watched

from mustsim.cellar import run
from mustwatch.alerting.rules import TellRules
from mustwatch.config.plan import CellarPlan
from mustwatch.replay.replay import Replay
from mustwatch.store.store import Store
from mustwatch.watch.enrolled import ENROLLED
from mustwatch.watch.finding import Transition

OF_LOTS = {kind for make in ENROLLED for kind in make.kinds}

Told = tuple[int, str, str, str | None]


@dataclass(frozen=True, slots=True)
class Replayed:
    """One lot through replay and directly: the findings only one of them had, and their number in all."""

    name: str
    seed: int
    findings: int
    only_replay: list[Told]
    only_direct: list[Told]
    estimates_equal: bool


def _told(transitions: list[Transition]) -> set[Told]:
    return {
        (t.at_ms, t.kind.name, t.change.value, t.subject.sensor) for t in transitions if t.kind in OF_LOTS
    }


def replayed(task: tuple[str, int]) -> list[Replayed]:
    """Return the comparison for each lot of one scenario and seed."""
    name, seed = task
    cellar = run(drawn(name, seed), seed, form="senml")
    cases = {case.lot: case for case in cases_of(cellar)}
    plan = CellarPlan(
        sensors={s.id: configured(s) for s in cellar.scenario.sensors},
        vessels={},
        profile_for=lambda history: cases[history.lot].profile,
        rules=TellRules(),
    )
    lines = [
        json.dumps({"tst": m.sent_ms / 1000.0, "topic": m.topic, "payload": m.payload.decode()})
        for m in cellar.messages
    ]
    with TemporaryDirectory() as folder:
        store = Store(Path(folder) / "cellar.db", cellar.begins_ms)
        with store.transaction():
            for entry in entries_of(cellar):
                store.book.append(entry)
        Replay(store, plan).run(lines, cellar.begins_ms)
        result = [_compared(store, case) for case in cases.values()]
        store.close()
    return result


def _compared(store: Store, case: Case) -> Replayed:
    steps, _ = watched(case)
    direct = _told(found(case, steps))
    logged = _told(store.watching.findings(case.lot))
    # Replay closes only slots that the record's clock has passed; the last one may still be open there.
    estimates = store.watching.estimates(case.lot)
    last_ms = estimates[-1].at_ms if estimates else 0
    direct = {t for t in direct if t[0] <= last_ms}
    mine = [s.estimate for s in steps if s.estimate.at_ms <= last_ms]
    return Replayed(
        case.name,
        case.seed,
        len(direct),
        sorted(logged - direct),
        sorted(direct - logged),
        [tuple(e) for e in estimates] == [tuple(e) for e in mine],
    )


def show_replayed(checked: list[Replayed]) -> dict[str, Any]:
    """Print what the comparison came to, and return it as plain values."""
    differing = [r for r in checked if r.only_replay or r.only_direct or not r.estimates_equal]
    count = sum(r.findings for r in checked)
    print(
        f"\nthrough the real pipeline: {len(checked)} ferments, {count} findings, {len(differing)} ferments differ"
    )
    for r in differing:
        print(
            f"    {r.name}/{r.seed}: only replay {r.only_replay[:3]}, only direct {r.only_direct[:3]}", end=""
        )
        print("" if r.estimates_equal else ", estimates differ")
    return {
        "ferments": len(checked),
        "findings": count,
        "differing": [f"{r.name}/{r.seed}" for r in differing],
    }
