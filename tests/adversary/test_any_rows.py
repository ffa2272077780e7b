"""Whatever stands in a row of the store, of whatever kind: the daemon starts, evaluates, and answers each question."""

# ruff: noqa: S608 - names of tables and columns come from the file itself
import os
import sqlite3
from collections.abc import Callable
from contextlib import closing
from io import StringIO
from pathlib import Path
from shutil import copyfile
from typing import Any

import pytest
from attack_table import Row
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from cellars import FLOAT, PLAN, T0, lived_store, readings
from mustwatch.app.web_backend import StoreHand
from mustwatch.cellar.instant import DAY_MS
from mustwatch.config.settings import Settings
from mustwatch.evaluation.live import Evaluation
from mustwatch.export import Export, Wanted
from mustwatch.store.inspection import broken_rows, set_aside_broken
from mustwatch.store.store import Store

EXAMPLES = int(os.environ.get("MUSTWATCH_ADVERSARY_ROWS", "150"))
"""Files with one row altered; 2,000 for a long run."""
NOW_MS = T0 + 10 * DAY_MS
OWN = ("migration", "mirror_state", "mirror_due", "mirror_refused", "mirror_place", "set_aside")
"""Tables left out: the first says which version it is, the others of the mirror, which this cellar has none of."""

VALUES = st.one_of(
    st.none(),
    st.integers(-(2**63), 2**63 - 1),
    st.floats(allow_nan=True, allow_infinity=True),
    st.text(max_size=40),
    st.binary(max_size=40),
    st.sampled_from(
        ["", "null", "[]", "{}", '{"kind": 1}', "NaN", "1e999", "-1", "\x00", "9" * 400, "[" * 2000]
    ),
)


def altered(path: Path, draw: Callable[[st.SearchStrategy[Any]], Any]) -> str:
    """Put any value into any column of any row, and return where."""
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        tables = [
            row[0] for row in db.execute("SELECT name FROM sqlite_master WHERE type='table' ORDER BY name")
        ]
        filled = [
            t
            for t in tables
            if t not in OWN
            and not t.startswith("sqlite_")
            and db.execute(f"SELECT 1 FROM {t} LIMIT 1").fetchone()
        ]
        table = draw(st.sampled_from(filled))
        columns = db.execute(f"PRAGMA table_info({table})").fetchall()
        column = draw(st.sampled_from([row[1] for row in columns]))
        keys = [row[1] for row in columns if row[5]]
        rows = db.execute(f"SELECT {', '.join(keys)} FROM {table} ORDER BY {', '.join(keys)}").fetchall()
        key = rows[draw(st.integers(0, len(rows) - 1))]
        value = draw(VALUES)
        try:
            db.execute(
                f"UPDATE {table} SET {column}=? WHERE {' AND '.join(f'{k}=?' for k in keys)}", (value, *key)
            )
        except sqlite3.Error:
            return "refused by the file itself"
        return f"{table}.{column} of {key} = {value!r}"


def ask_everything(store: Store) -> None:
    """Do what a daemon's start does, and ask what pages and commands ask."""
    set_aside_broken(store, NOW_MS)
    assert not broken_rows(store.database.query)
    evaluation = Evaluation(store, PLAN, NOW_MS)
    evaluation.read_book()
    evaluation.settle(NOW_MS)
    evaluation.advance(NOW_MS)
    evaluation.settle(NOW_MS)
    store.outbox.waiting()
    hand = StoreHand(store, SETTINGS, now_ms=lambda: NOW_MS)
    try:
        for ask in (hand.cellar, hand.lots, hand.sensors, hand.undelivered, hand.sessions_left):
            ask()
        hand.night(None)
        hand.quarantine(10)
        ids = [a["id"] for past in (False, True) for a in hand.alerts(past=past)]
        hand.alert_pictures(ids)
        for lot in store.book.history().lots:
            hand.lot(lot)
            hand.curves(lot, None, None, 100)
            hand.record_page(lot)
    finally:
        hand.close()
    Export(store, PLAN, Wanted()).csv(StringIO())


SETTINGS = Settings.model_validate(
    {
        "vessel": [{"name": "bucket", "kind": "bucket", "litres": 30}],
        "sensor": [
            {"id": "float", "kind": "float", "vessel": "bucket", "topic": FLOAT.topic, "decoder": "senml"}
        ],
    }
)


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a store with something in each of its tables, and not much of anything."""
    return lived_store(tmp_path_factory.mktemp("small") / "c.db", readings(6.0, every_min=60))


def test_any_value_in_any_row_keeps_nobody_from_anything(
    small: Path, tmp_path_factory: pytest.TempPathFactory, row: Callable[[str], Row]
) -> None:
    tried = row("any value in any column of any row of the store")
    tried.lost = 0
    folder = tmp_path_factory.mktemp("rows")

    @settings(
        max_examples=EXAMPLES,
        deadline=None,
        database=None,
        derandomize=EXAMPLES <= 150,
        suppress_health_check=list(HealthCheck),
        phases=(Phase.generate,),
    )
    @given(st.data())
    def alter(data: st.DataObject) -> None:
        path = folder / "c.db"
        for companion in ("", "-wal", "-shm"):
            path.with_name(path.name + companion).unlink(missing_ok=True)
        copyfile(small, path)
        where = altered(path, data.draw)
        with closing(Store(path, T0)) as store:
            try:
                ask_everything(store)
            except Exception as error:
                raise AssertionError(where) from error
        tried.tried += 1

    with closing(Store(small, T0)) as store:
        assert broken_rows(store.database.query) == [], "of a sound store nothing is set aside"
    alter()
