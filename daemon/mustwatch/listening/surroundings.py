"""What the daemon needs around it: broker, store, clock, pages, mirror, ways to tell people. Looked at one by one."""

import os
import shutil
import socket
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import closing
from datetime import timedelta
from enum import StrEnum
from pathlib import Path
from typing import Final, NamedTuple

from mustwatch.cellar.instant import from_ms, iso
from mustwatch.config.settings import Settings
from mustwatch.ingest.clock import NOT_BEFORE_MS

ROOM_BYTES: Final = 200 * 1024 * 1024
"""With less room on the card a store of a few months no longer fits; the daemon itself warns later than this."""
AHEAD_MS: Final = 5 * 60_000
"""A newest reading this far ahead of the clock: it was stamped by one that ran ahead, or this one is behind."""
ANSWER_S: Final = 5.0


class State(StrEnum):
    """What was found."""

    GOOD = "good"
    NOTE = "note"
    """Nothing wrong, but worth knowing."""
    MEND = "mend"
    """The daemon cannot do its work so."""


class Look(NamedTuple):
    """One thing looked at: what it is, how it is, and what to do about it ("" for nothing)."""

    part: str
    state: State
    says: str
    do: str = ""


def look_around(settings: Settings, now_ms: int, *, send_test: bool) -> Iterator[Look]:
    """Look at everything around the daemon. Changes nothing, but for a point written in the mirror to be read back.

    With ``send_test`` everybody to be told gets a message.
    """
    yield broker(settings)
    yield from store(settings, now_ms)
    yield clock(settings, now_ms)
    yield from pages(settings)
    if settings.influx is not None:
        yield from mirror(settings, now_ms)
    yield from tell(settings, send_test=send_test)


def broker(settings: Settings) -> Look:
    """Come to the broker as the daemon would, and see whether it lets us hear every sensor's topic."""
    from mustwatch.listening.broker import visit

    topics = sorted({t for s in (one.sensor() for one in settings.sensor) for t in (s.topics or (s.topic,))})
    how = settings.mqtt.broker()  # whose faults are the configuration's, and were looked for before
    gone = visit(how, topics, 0)
    if gone.trouble is not None:
        return Look("broker", State.MEND, gone.trouble, "start it, or change [mqtt]")
    if gone.refused:
        return Look(
            "broker",
            State.MEND,
            f"{how.host}:{how.port} does not let us hear {', '.join(gone.refused)}",
            f"let the user {how.username or '(none)'} read these topics (sudo mustwatch-broker sync)",
        )
    said = f"{how.host}:{how.port} takes us, {len(topics)} topics may be heard"
    if how.username is None:
        return Look(
            "broker",
            State.NOTE,
            f"{said}, without a password",
            "anybody in the network may publish: close it",
        )
    return Look("broker", State.GOOD, said)


def _unreadable(db: sqlite3.Connection) -> list[tuple[str, str]]:
    """Return what of the store cannot be read, and what was set aside before, each with what to do."""
    from mustwatch.store.inspection import broken_rows
    from mustwatch.store.whole import as_text

    db.text_factory = as_text
    found = [
        (
            f"{one} cannot be read",
            "the daemon's next start sets it aside; mustwatch restore --from-backup has it",
        )
        for one in broken_rows(lambda sql: db.execute(sql).fetchall())
    ]
    aside = db.execute("SELECT what, place, why FROM set_aside ORDER BY id").fetchall()
    return found + [
        (f"set aside: {what} {place}: {why}", "write it in the book again, if it is missing there")
        for what, place, why in aside
    ]


def _unwatched(db: sqlite3.Connection, settings: Settings) -> Mapping[str, str]:
    """Return the living lots whose vessel or sensor the configuration does not name any more, with what is gone."""
    from mustwatch.cellar.history import SensorStay, fold
    from mustwatch.config.plan import plan_of
    from mustwatch.config.unwatched import unwatched_lots
    from mustwatch.store.book import ENTRIES, entry_of
    from mustwatch.store.whole import readable

    rows = db.execute(f"SELECT {ENTRIES.columns} FROM entry ORDER BY seq").fetchall()  # noqa: S608
    stays = db.execute("SELECT sensor, vessel, from_ms FROM sensor_stay").fetchall()
    history = fold(readable(ENTRIES.called, rows, entry_of), (SensorStay(*stay) for stay in stays))
    return unwatched_lots(history, plan_of(settings))


def store(settings: Settings, now_ms: int) -> Iterator[Look]:
    """Look whether the store can be read and written, what it holds, and whether somebody keeps watch on it."""
    from mustwatch.store.backup import backup_folder, backups
    from mustwatch.store.keeper import is_kept
    from mustwatch.store.restoring import unfinished
    from mustwatch.store.schema import CHECKSUMS_SINCE, MIGRATIONS
    from mustwatch.store.soundness import read_only

    path = settings.store.path.expanduser()
    folder = next(p for p in (path.parent, *path.parents) if p.exists())
    if not _may_write(folder) or (path.exists() and not _may_write(path)):
        yield Look(
            "store", State.MEND, f"{path} cannot be written", f"give {folder} to the user the daemon runs as"
        )
        return
    free = shutil.disk_usage(folder).free
    if free < ROOM_BYTES:
        yield Look(
            "room", State.MEND, f"only {free // 2**20} MB are free at {folder}", "make room on the card"
        )
    if unfinished(path).exists():
        yield Look(
            "store",
            State.NOTE,
            f"a restore from InfluxDB was cut short: {unfinished(path)}",
            "mustwatch restore --from-influx goes on with it; without need of it, delete the file",
        )
    if not path.exists():
        kept = backups(backup_folder(path, settings.store.backup_dir))
        if kept:
            lost = f"{path} is gone, but there are {len(kept)} backups of it"
            yield Look("store", State.MEND, lost, "mustwatch restore says how to bring one back")
        else:
            yield Look(
                "store", State.NOTE, f"{path} is not there yet", "the first start of the daemon makes it"
            )
        return
    try:
        with closing(sqlite3.connect(read_only(path), uri=True, timeout=ANSWER_S)) as db:
            version = db.execute("SELECT max(version) FROM migration").fetchone()[0]
            newest = "SELECT observed_ms, id FROM reading JOIN sensor ON key=sensor ORDER BY observed_ms DESC LIMIT 1"
            newest_ms, newest_of = db.execute(newest).fetchone() or (None, "")
            broken = _unreadable(db) if version >= CHECKSUMS_SINCE else []
            unwatched = _unwatched(db, settings) if version >= CHECKSUMS_SINCE else {}
    except sqlite3.Error as error:
        yield Look("store", State.MEND, f"{path}: {error}", "mustwatch restore says how to bring one back")
        return
    known = max(m.version for m in MIGRATIONS)
    if version > known:
        yield Look(
            "store",
            State.MEND,
            f"{path} is of a newer mustwatch (schema {version}, here {known})",
            "upgrade mustwatch",
        )
        return
    since = (
        "no reading yet" if newest_ms is None else f"newest reading {from_ms(newest_ms):%Y-%m-%d %H:%M} UTC"
    )
    has_room = free >= ROOM_BYTES
    said = f"{path}, {since}, {free // 2**20} MB free"
    yield Look("store", State.GOOD if has_room else State.NOTE, said)
    for lot, why in unwatched.items():
        remedy = f"name it in the configuration again, or: mustwatch record rack {lot} --to VESSEL"
        yield Look("lot", State.MEND, f"nobody watches {lot}: {why}", remedy)
    for text, remedy in broken:
        yield Look("store", State.MEND, text, remedy)
    if newest_ms is not None and newest_ms - now_ms > AHEAD_MS:
        ahead = timedelta(milliseconds=newest_ms - now_ms)
        yield Look(
            "clock",
            State.MEND,
            f"the newest reading, of {newest_of}, is {ahead} ahead of this machine's clock",
            f"set the clock; or, if that is right: mustwatch record set-aside {newest_of} {iso(newest_ms)}",
        )
    if is_kept(path):
        yield Look("daemon", State.GOOD, "keeps watch")
    else:
        yield Look("daemon", State.NOTE, "nobody keeps watch on this store", "sudo systemctl start mustwatch")


def _may_write(path: Path) -> bool:
    return os.access(path, os.W_OK)


def clock(settings: Settings, now_ms: int) -> Look:
    """Look whether the machine knows the time."""
    from mustwatch.ingest.system_clock import is_synchronised

    zone = settings.cellar.timezone
    shown = f"{from_ms(now_ms):%Y-%m-%d %H:%M} UTC, time zone {zone}"
    if now_ms < NOT_BEFORE_MS:
        return Look("clock", State.MEND, f"{shown}: it was never set", "connect to a network, or set it")
    if is_synchronised() is False:
        return Look(
            "clock",
            State.NOTE,
            f"{shown}, not synchronised",
            "sudo timedatectl set-ntp true; readings are put right later",
        )
    if zone == "UTC":
        return Look(
            "clock",
            State.NOTE,
            shown,
            'nights and quiet hours are in UTC: set cellar.timezone, e.g. "Europe/Vienna"',
        )
    return Look("clock", State.GOOD, shown)


def pages(settings: Settings) -> Iterator[Look]:
    """Look whether the pages' port is ours to have."""
    web = settings.web
    if not web.enabled or web.port == 0:
        return
    family = socket.AF_INET6 if ":" in web.bind else socket.AF_INET
    with socket.socket(family) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((web.bind, web.port))
        except OSError as error:
            if error.errno is not None and _is_answering(web.bind, web.port):
                yield Look(
                    "pages", State.GOOD, f"something answers on {web.bind}:{web.port}: the daemon, if it runs"
                )
                return
            yield Look(
                "pages", State.MEND, f"{web.bind}:{web.port}: {error.strerror}", "choose another web.port"
            )
            return
    yield Look(
        "pages", State.NOTE, f"nobody serves {web.bind}:{web.port} yet", "the daemon does when it runs"
    )


def _is_answering(host: str, port: int) -> bool:
    where = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(host, host)  # noqa: S104 - what is compared, not bound
    try:
        with socket.create_connection((where, port), ANSWER_S):
            return True
    except OSError:
        return False


def mirror(settings: Settings, now_ms: int) -> Iterator[Look]:
    """Write a point into the mirror's bucket and read it back, as the daemon and a restore would; ask what it keeps."""
    from mustwatch.store.mirror_check import check_mirror

    assert settings.influx is not None  # noqa: S101 - asked by the caller
    if not settings.influx.url.startswith(("http://", "https://")):
        yield Look(
            "mirror", State.MEND, "influx.url is no http address", 'expected e.g. "http://127.0.0.1:8086"'
        )
        return
    influx = settings.influx
    bucket = (influx.url, influx.org, influx.bucket, influx.token.get_secret_value())
    path = settings.store.path.expanduser()
    for found in check_mirror(bucket, influx.site, settings.cellar.name, path, now_ms):
        yield Look("mirror", State(found.how.value), found.says, found.do)


def tell(settings: Settings, *, send_test: bool) -> Iterator[Look]:
    """Look whether everybody's address is understood; with ``send_test`` send each a message and say how it went."""
    from mustwatch.config.plan import tell_rules
    from mustwatch.deliver.apprise_deliverer import AppriseDeliverer, understood
    from mustwatch.deliver.deliverer import Parcel, TellAddress

    if not settings.tell:
        yield Look("tell", State.NOTE, "nobody is told", 'add [[tell]] url = "..." to be called')
    deliverer = AppriseDeliverer()
    for target, one in zip(tell_rules(settings).targets, settings.tell, strict=True):
        address = TellAddress(target, one.url.get_secret_value())
        part = f"tell {target.name}"
        if understood(address.url) is None:
            yield Look(
                part, State.MEND, f"{address.shown} is no address the library understands", "change its url"
            )
        elif not send_test:
            yield Look(part, State.GOOD, f"{address.shown} is understood (--send-test tries it)")
        else:
            body = f"{settings.cellar.name}: if you read this, messages about your wine reach you."
            outcome = deliverer.deliver(address, Parcel("mustwatch: a test", body))
            if outcome.delivered:
                yield Look(part, State.GOOD, f"{address.shown} took a test message")
            else:
                yield Look(
                    part, State.MEND, f"a test message was not taken: {outcome.error}", "change its url"
                )
