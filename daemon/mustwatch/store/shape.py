"""Whether a file is built as mustwatch builds a store: its tables with their columns, and no triggers but ours.

A file from elsewhere may hold what runs when it is written to, or lack what is read long after it was taken.
"""

import sqlite3
from contextlib import closing

from mustwatch.store.schema import MIGRATIONS, migrate

Shape = dict[tuple[str, str], object]


def _shape(connection: sqlite3.Connection) -> Shape:
    """Return what there is, by kind and name: of a table its columns, of a trigger or a view its text."""
    found: Shape = {}
    for kind, name, sql in connection.execute(
        "SELECT type, name, sql FROM sqlite_master WHERE type != 'index' AND name NOT LIKE 'sqlite#_%' ESCAPE '#'"
    ).fetchall():
        columns = "SELECT name, type, [notnull], pk FROM pragma_table_info(?) ORDER BY cid"
        found[kind, name] = connection.execute(columns, (name,)).fetchall() if kind == "table" else sql
    return found


def version_of(connection: sqlite3.Connection) -> int | None:
    """Return the newest migration that a file has had, or None: they are not listed as mustwatch lists them."""
    done = [row[0] for row in connection.execute("SELECT version FROM migration ORDER BY version")]
    known = [migration.version for migration in MIGRATIONS]
    if not done or not all(isinstance(version, int) for version in done):
        return None
    return done[-1] if done[: len(known)] == known[: len(done)] else None


def deviation(connection: sqlite3.Connection, version: int) -> str | None:
    """Return the first way in which a file differs from a store of a version, or None. More tables may be there."""
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as model:
        migrate(model, 0, tuple(m for m in MIGRATIONS if m.version <= version))
        wanted = _shape(model)
    there = _shape(connection)
    for (kind, name), how in wanted.items():
        if there.get((kind, name)) != how:
            return f"its {kind} {name} is not as mustwatch makes it"
    foreign = [f"{kind} {name}" for kind, name in there.keys() - wanted.keys() if kind != "table"]
    return f"it holds a {min(foreign)} that mustwatch did not make" if foreign else None
