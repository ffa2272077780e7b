"""Whether a mirror can do its work: a point is written with the token, and read back."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from enum import Enum
from pathlib import Path
from typing import NamedTuple

from mustwatch.cellar.instant import HOUR_MS, SECOND_MS
from mustwatch.store.mirror_audit import retention_said
from mustwatch.store.mirror_influx import Bucket, InfluxServer, Whose
from mustwatch.store.mirror_lines import Lines, line
from mustwatch.store.mirror_marker import difference
from mustwatch.store.mirror_spool import INSTANCE
from mustwatch.store.mirror_verdict import WRITE_ONLY, ServerError, Verdict

MEASUREMENT = "mirror_check"


class Checked(Enum):
    """How something was found."""

    GOOD = "good"
    NOTE = "note"
    MEND = "mend"


class Found(NamedTuple):
    """One thing found: how it is, in words, and what to do about it."""

    how: Checked
    says: str
    do: str = ""


def check_mirror(
    where: tuple[str, str, str, str], site: str, cellar: str, store_path: Path, now_ms: int
) -> Iterator[Found]:
    """Write a point and read it back, and compare what stands there with what was sent.

    Args:
        where: url, organisation, bucket and token.
        site, cellar: whose points.
        store_path: of the store that is mirrored; it need not be there.
        now_ms: the present.
    """
    server = InfluxServer(Bucket(*where))
    whose, lines = Whose.of(site, cellar), Lines(site, cellar)
    at_ms = now_ms // HOUR_MS * HOUR_MS
    try:
        server.write(line(MEASUREMENT, lines.whose, {"at": now_ms}, at_ms).encode())
    except ServerError as error:
        yield _failed(server, error, "readings wait in the store until it takes them")
        server.close()
        return
    try:
        back = {record.get("at") for record in server.records(MEASUREMENT, whose, at_ms, at_ms + 1)}
        if now_ms not in back:
            yield Found(Checked.MEND, f"{server.shown} took a point and does not give it back", "see its log")
            return
        yield Found(Checked.GOOD, f"{server.shown} takes points and gives them back")
        yield from _standing(server, whose, store_path)
    except ServerError as error:
        if "(influx.token)" in error.text:
            error = ServerError(error.verdict, WRITE_ONLY)
        yield _failed(server, error, "nothing can be restored from it so")
    finally:
        server.close()


def _failed(server: InfluxServer, error: ServerError, so: str) -> Found:
    if error.verdict is Verdict.PASSING:
        return Found(Checked.NOTE, f"{server.shown} {error}", so)
    return Found(
        Checked.MEND, f"{server.shown} {error}", f"change [influx], or what the server lets us do; {so}"
    )


def _standing(server: InfluxServer, whose: Whose, store_path: Path) -> Iterator[Found]:
    standing = server.standing(whose)
    if standing.retention_s:
        said = f"the bucket {retention_said(standing.retention_s * SECOND_MS)}"
        yield Found(Checked.NOTE, said, "to keep all, let the bucket keep points for ever")
    instance, serial, depth = _sent(store_path)
    found = difference(standing, instance, serial)
    if found is not None:
        yield Found(Checked.MEND, f"{server.shown} {found}", "mustwatch mirror resend sends everything again")
    elif standing.markers is not None and instance in standing.markers:
        counts = standing.markers[instance].counts
        yield Found(
            Checked.GOOD,
            f"{counts.readings} readings and {counts.entries} entries were sent, {depth} points wait",
        )


def _sent(store_path: Path) -> tuple[str, int, int]:
    """Return a store's id on servers, the number of its last marker, and how many noted points wait."""
    if not store_path.exists():
        return "", 0, 0
    try:
        with closing(
            sqlite3.connect(f"{store_path.absolute().as_uri()}?mode=ro", uri=True, timeout=5.0)
        ) as db:
            instance = db.execute("SELECT value FROM kept WHERE name=?", (INSTANCE,)).fetchone()
            serial = db.execute("SELECT serial FROM mirror_state").fetchone()
            depth = db.execute("SELECT count(*) FROM mirror_due").fetchone()
    except sqlite3.Error:  # the look at the store says what is wrong with it
        return "", 0, 0
    return ("" if instance is None else instance[0]), (0 if serial is None else serial[0]), depth[0]
