"""What the watch knows, on disk: snapshots, estimates and the log of findings."""

import json
import zlib
from collections.abc import Iterable, Iterator, Sequence
from typing import Any, NamedTuple

from mustwatch.cellar.instant import DAY_MS, HOUR_MS
from mustwatch.store.database import Database
from mustwatch.store.whole import UNREADABLE, Row, Table, number, readable
from mustwatch.watch.estimate import Estimate
from mustwatch.watch.finding import Change, Severity, Subject, Transition, kind_named

CHECKPOINT_EVERY_MS = 6 * HOUR_MS
"""Spacing of the snapshots kept to start again from: a late reading costs at most this much re-evaluation."""
CHECKPOINTS_KEPT_MS = 7 * DAY_MS
"""Older checkpoints are let go but for one a week."""
ESTIMATES_AT_ONCE = 1_000
"""How many are read at a time where a whole history is gone through: a year at once would be ten megabytes."""


class Checkpoint(NamedTuple):
    """A lot's watch as of a horizon: everything before it is accounted for, nothing after."""

    lot: str
    horizon_ms: int
    snapshot: str


def _packed(snapshot: str) -> bytes:
    """Return a snapshot as kept: a third of its size fits on its page of the tree, without pages of its own beside it.

    Every slot of every lot is closed by writing one: it is the most of what goes to the card.
    """
    return zlib.compress(snapshot.encode(), 1)


def _unpacked(kept: str | bytes) -> str:
    """Return a snapshot from what was kept; former versions kept it as text."""
    return kept if isinstance(kept, str) else zlib.decompress(kept).decode()


class Watching:
    """Tables ``watch_state``, ``lot_now``, ``estimate``, ``finding``, ``kept``."""

    def __init__(self, database: Database) -> None:
        """Use a database."""
        self._db = database

    def save_checkpoint(self, checkpoint: Checkpoint) -> None:
        """Keep a lot's newest snapshot; between checkpoints the former newest is replaced."""
        lot, horizon_ms, snapshot = checkpoint
        slot_ms = horizon_ms // CHECKPOINT_EVERY_MS * CHECKPOINT_EVERY_MS
        self._db.execute(
            "DELETE FROM watch_state WHERE lot=? AND horizon_ms>? AND horizon_ms<?",
            (lot, slot_ms, horizon_ms),
        )
        self._db.execute(
            "INSERT OR REPLACE INTO watch_state (lot, horizon_ms, snapshot) VALUES (?, ?, ?)",
            (lot, horizon_ms, _packed(snapshot)),
        )

    def thin_checkpoints(self, now_ms: int) -> None:
        """Let old checkpoints go: six-hourly for a week, then one a week."""
        week_ms = 7 * DAY_MS
        self._db.execute(
            "DELETE FROM watch_state WHERE horizon_ms<? AND horizon_ms NOT IN"
            " (SELECT min(horizon_ms) FROM watch_state GROUP BY lot, horizon_ms/?)"
            " AND horizon_ms < (SELECT max(horizon_ms) FROM watch_state AS w WHERE w.lot=watch_state.lot)",
            (now_ms - CHECKPOINTS_KEPT_MS, week_ms),
        )

    def checkpoint_before(self, lot: str, at_ms: int) -> Checkpoint | None:
        """Return a lot's newest snapshot whose horizon is at or before an instant, or None."""
        rows = self._db.query(
            f"SELECT {CHECKPOINTS.columns} FROM watch_state WHERE lot=? AND horizon_ms<=?"  # noqa: S608
            " ORDER BY horizon_ms DESC LIMIT 1",
            (lot, at_ms),
        )
        found = next(readable(CHECKPOINTS.called, rows, checkpoint_of), None)
        return found if found is not None or not rows else self.checkpoint_before(lot, rows[0][1] - 1)

    def forget_between(self, lot: str, after_ms: int, until_ms: int) -> None:
        """Drop what its watch concluded of a lot after an instant up to another: it was concluded again.

        What was found of the sensors in it (silent, battery low, a probe frozen) stays in the log: nothing would bring
        it up again.
        """
        for table, column in (("watch_state", "horizon_ms"), ("estimate", "at_ms")):
            self._db.execute(
                f"DELETE FROM {table} WHERE lot=? AND {column}>? AND {column}<=?",  # noqa: S608
                (lot, after_ms, until_ms),
            )
        found = self._db.query(
            "SELECT id, kind, evidence FROM finding WHERE lot=? AND at_ms>? AND at_ms<=?",
            (lot, after_ms, until_ms),
        )
        of_the_lot = [(id_,) for id_, kind, of in found if _is_concluded_again(kind, of)]
        self._db.executemany("DELETE FROM finding WHERE id=?", of_the_lot)

    def forget(self, lot: str) -> None:
        """Drop everything its watch concluded of a lot."""
        self.forget_between(lot, -(2**62), 2**62)
        self._db.execute("DELETE FROM lot_now WHERE lot=?", (lot,))

    def add_estimates(self, lot: str, estimates: Iterable[Estimate]) -> None:
        """Write a lot's estimates."""
        self.add_estimates_of([(lot, estimate) for estimate in estimates])

    def add_estimates_of(self, estimates: Sequence[tuple[str, Estimate]]) -> None:
        """Write estimates of many lots, each with its lot."""
        self._db.executemany(
            "INSERT OR REPLACE INTO estimate VALUES (?, ?, ?, ?, ?, ?, ?)",
            [(lot, *e) for lot, e in estimates],
        )

    def estimates(self, lot: str, from_ms: int = -(2**62), until_ms: int = 2**62) -> list[Estimate]:
        """Return a lot's estimates with ``from_ms`` <= at < ``until_ms`` in time order."""
        rows = self._db.query(
            "SELECT at_ms, gravity, gravity_sd, rate_per_day, rate_sd, temperature_c FROM estimate"
            " WHERE lot=? AND at_ms>=? AND at_ms<? ORDER BY at_ms",
            (lot, from_ms, until_ms),
        )
        return [Estimate(*row) for row in rows]

    def each_estimate(self, lot: str, from_ms: int = -(2**62), until_ms: int = 2**62) -> Iterator[Estimate]:
        """Yield the same one after the other, however long the history, in little memory."""
        while True:
            rows = self._db.query(
                "SELECT at_ms, gravity, gravity_sd, rate_per_day, rate_sd, temperature_c FROM estimate"
                " WHERE lot=? AND at_ms>=? AND at_ms<? ORDER BY at_ms LIMIT ?",
                (lot, from_ms, until_ms, ESTIMATES_AT_ONCE),
            )
            yield from map(Estimate._make, rows)
            if len(rows) < ESTIMATES_AT_ONCE:
                return
            from_ms = rows[-1][0] + 1

    def newest_gravity(self, lot: str, until_ms: int) -> tuple[int, float] | None:
        """Return the newest estimated gravity at or before an instant, with its own, or None."""
        rows = self._db.query(
            "SELECT at_ms, gravity FROM estimate WHERE lot=? AND at_ms<=? AND gravity IS NOT NULL"
            " ORDER BY at_ms DESC LIMIT 1",
            (lot, until_ms),
        )
        return (rows[0][0], rows[0][1]) if rows else None

    def save_now(self, lot: str, body: dict[str, Any]) -> None:
        """Keep a lot's present state (estimate, forecast) for the commands and pages."""
        self._db.execute("INSERT OR REPLACE INTO lot_now (lot, body) VALUES (?, ?)", (lot, json.dumps(body)))

    def now(self) -> dict[str, dict[str, Any]]:
        """Return the present state of every lot, by lot."""
        rows = self._db.query(f"SELECT {PRESENT.columns} FROM lot_now")  # noqa: S608
        return dict(readable(PRESENT.called, rows, present_of))

    def log(self, transitions: Sequence[Transition]) -> None:
        """Write what began and ceased to hold."""
        self._db.executemany(
            "INSERT INTO finding (at_ms, kind, change, severity, lot, vessel, sensor, evidence)"
            " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            [
                (
                    t.at_ms,
                    t.kind.name,
                    t.change.value,
                    t.severity.value,
                    t.subject.lot,
                    t.subject.vessel,
                    t.subject.sensor,
                    json.dumps(dict(t.evidence)),
                )
                for t in transitions
            ],
        )

    def findings(
        self, lot: str | None = None, from_ms: int = -(2**62), until_ms: int = 2**62
    ) -> list[Transition]:
        """Return the log of findings of one or all lots in [from, until), in time order."""
        where, parameters = (" AND lot=?", [lot]) if lot is not None else ("", [])
        rows = self._db.query(
            f"SELECT {FINDINGS.columns} FROM finding"  # noqa: S608
            f" WHERE at_ms>=? AND at_ms<?{where} ORDER BY at_ms, id",
            [from_ms, until_ms, *parameters],
        )
        return list(readable(FINDINGS.called, rows, finding_of))

    def keep(self, name: str, value: str) -> None:
        """Keep a small piece of state by name (due times, sequence numbers, memory of duplicates)."""
        self._db.execute("INSERT OR REPLACE INTO kept (name, value) VALUES (?, ?)", (name, value))

    def kept(self, name: str) -> str | None:
        """Return a kept piece of state, or None."""
        rows = self._db.query("SELECT value FROM kept WHERE name=?", (name,))
        return str(rows[0][0]) if rows else None

    def forget_kept(self, name: str) -> None:
        """Forget a kept piece of state."""
        self._db.execute("DELETE FROM kept WHERE name=?", (name,))

    def kept_number(self, name: str) -> int | None:
        """Return a kept number, or None: there is none, or it cannot be read as one."""
        return number(self.kept(name))


def _is_concluded_again(kind: str, evidence: str) -> bool:
    """Say whether a finding comes up again when its lot is evaluated again; one that cannot be read may."""
    try:
        return kind_named(kind).is_decided_by_lot(json.loads(evidence))
    except UNREADABLE:
        return True


def checkpoint_of(row: Row) -> Checkpoint:
    """Return a checkpoint from its row.

    Raises:
        one of UNREADABLE: it is not what was written.
    """
    snapshot = _unpacked(row[2])
    json.loads(snapshot)
    return Checkpoint(row[0], row[1], snapshot)


def present_of(row: Row) -> tuple[str, dict[str, Any]]:
    """Return a lot with its present state. Raises as ``checkpoint_of`` does."""
    return str(row[0]), dict(json.loads(row[1]))


def finding_of(row: Row) -> Transition:
    """Return what was found from its row. Raises as ``checkpoint_of`` does."""
    lot, at_ms, kind, change, severity, vessel, sensor, evidence = row
    subject = Subject(lot, vessel, sensor)
    return Transition(
        kind_named(kind), Change(change), at_ms, Severity(severity), subject, json.loads(evidence)
    )


CHECKPOINTS = Table(
    "watch_state", ("lot", "horizon_ms"), "lot, horizon_ms, snapshot", checkpoint_of, "checkpoint", False
)
PRESENT = Table("lot_now", ("lot",), "lot, body", present_of, "lot's present state", False)
FINDINGS = Table(
    "finding",
    ("id",),
    "lot, at_ms, kind, change, severity, vessel, sensor, evidence",
    finding_of,
    "finding",
    False,
)
