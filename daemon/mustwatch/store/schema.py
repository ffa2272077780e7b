"""The store's tables, as migrations. Each runs in one transaction together with the record that it ran."""

import sqlite3
from collections.abc import Callable
from dataclasses import dataclass

from mustwatch.store.whole import add_checksums

# Readings are keyed (observed_ms, sensor), not (sensor, observed_ms): a minute's readings of all sensors then
# share a page or two, and each commit writes those instead of one page per sensor (7.7 MB against 27.5 MB a
# day of WAL at a commit a minute with four sensors). A sensor's long range is answered from `rollup`.
_FIRST = """
CREATE TABLE sensor (key INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE);
CREATE TABLE reading (
  observed_ms INTEGER NOT NULL, sensor INTEGER NOT NULL, delay_ms INTEGER NOT NULL,
  gravity REAL, inclination_deg REAL, temperature_c REAL, battery_v REAL, signal_dbm REAL,
  stamp INTEGER NOT NULL, PRIMARY KEY (observed_ms, sensor)) WITHOUT ROWID;
CREATE TABLE rollup (
  sensor INTEGER NOT NULL, quantity INTEGER NOT NULL, at_ms INTEGER NOT NULL, n INTEGER NOT NULL,
  mean REAL NOT NULL, low REAL NOT NULL, low_ms INTEGER NOT NULL, high REAL NOT NULL, high_ms INTEGER NOT NULL,
  PRIMARY KEY (sensor, quantity, at_ms)) WITHOUT ROWID;
CREATE TABLE rollup_dirty (at_ms INTEGER PRIMARY KEY);
CREATE TABLE quarantine (
  id INTEGER PRIMARY KEY, received_ms INTEGER NOT NULL, topic TEXT NOT NULL, payload BLOB NOT NULL,
  reason TEXT NOT NULL, detail TEXT NOT NULL);
CREATE INDEX quarantine_received ON quarantine (received_ms);
CREATE TABLE sensor_stay (
  sensor TEXT NOT NULL, from_ms INTEGER NOT NULL, vessel TEXT, PRIMARY KEY (sensor, from_ms)) WITHOUT ROWID;
CREATE TABLE calibration (
  sensor TEXT NOT NULL, from_ms INTEGER NOT NULL, points TEXT NOT NULL,
  PRIMARY KEY (sensor, from_ms)) WITHOUT ROWID;
CREATE TABLE entry (
  seq INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, lot TEXT NOT NULL, at_ms INTEGER NOT NULL,
  recorded_ms INTEGER NOT NULL, kind TEXT NOT NULL, body TEXT NOT NULL, despite TEXT, replaces TEXT,
  undone_ms INTEGER);
CREATE INDEX entry_lot ON entry (lot, at_ms);
CREATE TABLE book_change (seq INTEGER PRIMARY KEY AUTOINCREMENT, lot TEXT NOT NULL, from_ms INTEGER NOT NULL);
CREATE TABLE watch_state (
  lot TEXT NOT NULL, horizon_ms INTEGER NOT NULL, snapshot TEXT NOT NULL,
  PRIMARY KEY (lot, horizon_ms)) WITHOUT ROWID;
CREATE TABLE lot_now (lot TEXT PRIMARY KEY, body TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE estimate (
  lot TEXT NOT NULL, at_ms INTEGER NOT NULL, gravity REAL, gravity_sd REAL, rate_per_day REAL, rate_sd REAL,
  temperature_c REAL, PRIMARY KEY (lot, at_ms)) WITHOUT ROWID;
CREATE TABLE finding (
  id INTEGER PRIMARY KEY, at_ms INTEGER NOT NULL, kind TEXT NOT NULL, change TEXT NOT NULL,
  severity TEXT NOT NULL, lot TEXT, vessel TEXT, sensor TEXT, evidence TEXT NOT NULL);
CREATE INDEX finding_lot ON finding (lot, at_ms);
CREATE TABLE alert (
  id TEXT PRIMARY KEY, lot TEXT, sensor TEXT, opened_ms INTEGER NOT NULL, cleared_ms INTEGER,
  filed INTEGER NOT NULL, body TEXT NOT NULL) WITHOUT ROWID;
CREATE INDEX alert_live ON alert (filed) WHERE filed = 0;
CREATE INDEX alert_opened ON alert (opened_ms);
CREATE TABLE outbox (
  seq INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, target TEXT NOT NULL, created_ms INTEGER NOT NULL,
  next_try_ms INTEGER, attempts INTEGER NOT NULL DEFAULT 0, attempt_ms INTEGER,
  unfinished INTEGER NOT NULL DEFAULT 0, told_ms INTEGER, expired_ms INTEGER, error TEXT, body TEXT NOT NULL);
CREATE INDEX outbox_waiting ON outbox (target, seq) WHERE told_ms IS NULL AND expired_ms IS NULL;
CREATE TABLE redelivery (
  slot INTEGER PRIMARY KEY, sequence INTEGER NOT NULL, packet_id INTEGER NOT NULL, digest BLOB NOT NULL);
CREATE TABLE kept (name TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
"""

# What the mirror has still to send. Readings come in the order of time: everything before ``done_ms`` was sent, all
# before ``reach_ms`` is being sent, and what is written before ``reach_ms`` from then on (late readings, corrected
# stamps) is noted in ``mirror_due``, as is every change of the other tables. So a reading that comes in time costs
# no second write. The triggers do nothing while there is no row in ``mirror_state``: no mirror.
_MIRROR = """
CREATE TABLE mirror_state (
  one INTEGER PRIMARY KEY CHECK (one = 1), destination TEXT NOT NULL, done_ms INTEGER NOT NULL,
  reach_ms INTEGER NOT NULL, is_thinning INTEGER NOT NULL DEFAULT 0);
CREATE TABLE mirror_due (seq INTEGER PRIMARY KEY, what TEXT NOT NULL, at_ms INTEGER NOT NULL, key TEXT NOT NULL);
CREATE TABLE mirror_refused (
  what TEXT NOT NULL, at_ms INTEGER NOT NULL, key TEXT NOT NULL, error TEXT NOT NULL,
  PRIMARY KEY (what, at_ms, key)) WITHOUT ROWID;
CREATE TABLE mirror_place (
  sensor TEXT NOT NULL, from_ms INTEGER NOT NULL, vessel TEXT, lot TEXT, PRIMARY KEY (sensor, from_ms)) WITHOUT ROWID;
"""
_NOTE = "INSERT INTO mirror_due (what, at_ms, key) VALUES "
_REACHED = "(SELECT reach_ms FROM mirror_state WHERE is_thinning = 0)"
_FINDING = "json_array({0}.kind, {0}.change, {0}.lot, {0}.vessel, {0}.sensor)"
_MIRROR_TRIGGERS = tuple(
    f"CREATE TRIGGER mirror_{table}_{event} AFTER {event} ON {table} WHEN {when} BEGIN {_NOTE}"
    f"('{table}', {row}.{at}, {key.format(row)}); END"
    for table, events, at, key in (
        ("reading", ("insert", "update", "delete"), "observed_ms", "CAST({0}.sensor AS TEXT)"),
        ("estimate", ("insert", "delete"), "at_ms", "{0}.lot"),
        ("finding", ("insert", "delete"), "at_ms", _FINDING),
        ("entry", ("insert", "update"), "at_ms", "{0}.id"),
        ("alert", ("insert", "update"), "opened_ms", "{0}.id"),
        ("calibration", ("insert",), "from_ms", "{0}.sensor"),
        ("sensor_stay", ("insert",), "from_ms", "{0}.sensor"),
    )
    for event in events
    for row in (("old" if event == "delete" else "new"),)
    for when in (
        f"{row}.observed_ms < {_REACHED}" if table == "reading" else "EXISTS (SELECT 1 FROM mirror_state)",
    )
)

# ``serial``: of the marker that says on the server how much is sent there; 0: none yet; below: all is to be sent again.
# ``again_ms``: when the book was last sent again to a bucket that drops what is old. Messages, and an alert's former
# beginning, are noted since this step: everything is sent once more to put right what stands there.
_MARKER = """
ALTER TABLE mirror_state ADD COLUMN serial INTEGER NOT NULL DEFAULT -1;
ALTER TABLE mirror_state ADD COLUMN again_ms INTEGER NOT NULL DEFAULT 0;
CREATE TRIGGER mirror_alert_moved BEFORE INSERT ON alert WHEN EXISTS (SELECT 1 FROM mirror_state) BEGIN
  INSERT INTO mirror_due (what, at_ms, key)
  SELECT 'alert_moved', opened_ms, json_array(json_extract(body, '$.kind'), lot, sensor, id) FROM alert
  WHERE id = new.id AND (opened_ms, lot, sensor) IS NOT (new.opened_ms, new.lot, new.sensor); END;
CREATE TRIGGER mirror_message_insert AFTER INSERT ON outbox WHEN EXISTS (SELECT 1 FROM mirror_state) BEGIN
  INSERT INTO mirror_due (what, at_ms, key) VALUES ('message', new.created_ms, new.id); END;
CREATE TRIGGER mirror_message_update AFTER UPDATE OF told_ms, expired_ms ON outbox
  WHEN EXISTS (SELECT 1 FROM mirror_state) BEGIN
  INSERT INTO mirror_due (what, at_ms, key) VALUES ('message', new.created_ms, new.id); END
"""


# A reading that somebody set aside is out of all that is concluded and shown, and kept as it was said.
_ASIDE = """
CREATE TABLE reading_aside (
  observed_ms INTEGER NOT NULL, sensor INTEGER NOT NULL, delay_ms INTEGER NOT NULL,
  gravity REAL, inclination_deg REAL, temperature_c REAL, battery_v REAL, signal_dbm REAL,
  stamp INTEGER NOT NULL, aside_ms INTEGER NOT NULL, why TEXT NOT NULL,
  PRIMARY KEY (observed_ms, sensor)) WITHOUT ROWID
"""


@dataclass(frozen=True, slots=True)
class Migration:
    """One step of the schema; ``apply`` runs inside a transaction and must not end it."""

    version: int
    name: str
    apply: Callable[[sqlite3.Connection], None]


def _script(sql: str) -> Callable[[sqlite3.Connection], None]:
    """Return a step that runs statements one by one (``executescript`` would commit the open transaction)."""

    def apply(connection: sqlite3.Connection) -> None:
        for statement in sql.split(";\n"):
            if statement.strip():
                connection.execute(statement)

    return apply


CHECKSUMS_SINCE = 4
"""The version from which on rows carry checksums."""
MIGRATIONS: tuple[Migration, ...] = (
    Migration(1, "first tables", _script(_FIRST)),
    Migration(2, "the mirror's spool", _script(";\n".join((_MIRROR, *_MIRROR_TRIGGERS)))),
    Migration(3, "the mirror's marker", _script(_MARKER)),
    Migration(CHECKSUMS_SINCE, "checksums, and rows set aside", add_checksums),
    Migration(5, "readings set aside", _script(_ASIDE)),
)


class SchemaTooNewError(Exception):
    """The file was written by a newer mustwatch."""


def migrate(
    connection: sqlite3.Connection, now_ms: int, migrations: tuple[Migration, ...] = MIGRATIONS
) -> list[int]:
    """Bring a database up to date and return the versions applied; each with its record in one transaction.

    Raises:
        SchemaTooNewError: a recorded version is unknown here; the file is left as it is.
    """
    connection.execute(
        "CREATE TABLE IF NOT EXISTS migration"
        " (version INTEGER PRIMARY KEY, name TEXT NOT NULL, applied_ms INTEGER NOT NULL)"
    )
    done = {row[0] for row in connection.execute("SELECT version FROM migration")}
    newest = max((m.version for m in migrations), default=0)
    if done and max(done) > newest:
        raise SchemaTooNewError(
            f"the store has schema {max(done)}, this mustwatch knows {newest}: install the newer mustwatch, "
            "or restore the backup made before the upgrade"
        )
    applied = []
    for step in migrations:
        if step.version in done:
            continue
        connection.execute("BEGIN IMMEDIATE")
        try:
            step.apply(connection)
            connection.execute("INSERT INTO migration VALUES (?, ?, ?)", (step.version, step.name, now_ms))
        except BaseException:
            connection.execute("ROLLBACK")
            raise
        connection.execute("COMMIT")
        applied.append(step.version)
    return applied


def is_current(connection: sqlite3.Connection) -> bool:
    """Say whether a database has every migration of this version and none of a newer one. Changes nothing."""
    done = {row[0] for row in connection.execute("SELECT version FROM migration")}
    return done == {migration.version for migration in MIGRATIONS}
