"""A book written before wine was moved by transfers means what it meant: volumes, stays, stages, alcohol, gates.

``book_before_parts/store.sqlite.xz`` was written by the version before, by its own commands: three lots, rackings with and
without volumes, sugar and sulfite, floats that went along and were moved, two sizes of bottles, an undone note, a wine
given away. ``meaning.json`` is what that version made of it.
"""

import json
import lzma
from pathlib import Path

import pytest

from mustwatch.cellar.facts import NOTHING_KNOWN
from mustwatch.cellar.history import CellarHistory, LotHistory
from mustwatch.cellar.profile import Profile
from mustwatch.cellar.requirements import Case, Requirement, since
from mustwatch.cellar.steps import stages_through
from mustwatch.cellar.strength import strength_of
from mustwatch.store.store import Store

KEPT = Path(__file__).parent / "book_before_parts"
MEANT = json.loads((KEPT / "meaning.json").read_text())
NOW_MS = 1_775_000_000_000


@pytest.fixture
def history(tmp_path: Path) -> CellarHistory:
    path = tmp_path / "store.sqlite"
    path.write_bytes(lzma.decompress((KEPT / "store.sqlite.xz").read_bytes()))
    store = Store(path, NOW_MS)
    told = store.book.history()
    store.close()
    return told


def meaning(lot: LotHistory) -> dict[str, object]:
    strength = strength_of(lot, ())
    case = Case(lot, Profile(), NOTHING_KNOWN, NOW_MS)
    return {
        "entries": [e.id for e in lot.entries],
        "stays": [[*stay] for stay in lot.stays],
        "stages": [[at_ms, stage.value] for at_ms, stage in lot.stages],
        "litres": lot.litres,
        "litres_at": [[e.at_ms, lot.litres_at(e.at_ms)] for e in lot.entries],
        "vessel": lot.vessel,
        "started_ms": lot.started_ms,
        "bottled_ms": lot.bottled_ms,
        "ended_ms": lot.ended_ms,
        "ended_as": lot.ended_as,
        "abv": None if strength is None else round(strength.abv_percent, 6),
        "since": {name: since(Requirement(name), case) for name in MEANT["lots"][lot.lot]["since"]},
        "stages_through": [[at_ms, stage.value] for at_ms, stage in stages_through(lot, Profile())],
    }


@pytest.mark.parametrize("lot", sorted(MEANT["lots"]))
def test_a_lot_is_told_as_it_was(history: CellarHistory, lot: str) -> None:
    told = meaning(history.lots[lot])

    assert {name: told[name] for name in MEANT["lots"][lot]} == MEANT["lots"][lot]


def test_every_sensor_is_where_it_was(history: CellarHistory) -> None:
    assert {sensor: [[*stay] for stay in stays] for sensor, stays in history.sensor_stays.items()} == MEANT[
        "sensors"
    ]
