"""A power cut at random instants under load: what the card may hold then opens, is sound, and has what was acknowledged.

The daemon runs under strace, which records every byte it writes and when. Afterwards the cut is made at random
places of that record: what was synced is there; of what was written since, any part may be there or not, sector by
sector, as a card pleases. The acknowledgements are read from the same record, from what was sent to the broker.

What is assumed of the card: a sync that returned is kept, and a sector is written whole or not at all.
"""

import json
import os
import random
import shutil
import signal
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import syscalls
from shed import Row, Shed
from syscalls import Event, Removed, Said, Synced, Truncated, Write

from brokers import NativeBroker, Options, missing

SECTOR = 512


def run(count: int, folder: Path) -> Row:
    """Record one run under load, and cut the power at so many random instants of it."""
    row = Row("power cut simulated at the file system, at random instants under load")
    row.told_twice = None
    if shutil.which("strace") is None:
        missing("strace is not installed (apt install strace)")
    shed, before, happened = _recorded(folder)
    dice = random.Random(20260905)
    sockets = _broker_sockets(happened)
    instants = sorted(dice.randrange(len(happened)) for _ in range(count))
    acknowledged_most = 0
    for instant in instants:
        cut = folder / f"cut-{instant}"
        _card_after(before, happened[:instant], shed.daemon.store, cut, dice)
        acknowledged = _acknowledged(happened[:instant], sockets)
        acknowledged_most = max(acknowledged_most, len(acknowledged))
        fault, stored = _opened(cut / shed.daemon.store.name)
        row.tried += 1
        lost = len(acknowledged - stored)
        row.lost = (row.lost or 0) + lost + (fault is not None)
        row.readings += len(acknowledged)
        if lost or fault:
            row.notes.append(
                f"cut at event {instant}: {lost} of {len(acknowledged)} acknowledged missing; {fault}"
            )
        shutil.rmtree(cut)
    syncs = sum(isinstance(event, Synced) for event in happened)
    row.notes.append(
        f"{len(happened)} events, {syncs} syncs; up to {acknowledged_most} readings were acknowledged at a cut"
    )
    return row


def _recorded(folder: Path) -> tuple[Shed, dict[str, bytes], list[Event]]:
    broker = NativeBroker(folder / "broker", Options(extra="max_queued_messages 0"))
    broker.start()
    shed = Shed(folder / "shed", broker.port, lots=4, days=6.0)
    record = folder / "record"
    shed.daemon.prefix = syscalls.command(record)
    before = {str(path): path.read_bytes() for path in shed.daemon.folder.glob("cellar.db*")}
    try:
        shed.daemon.start()
        for at in range(0, len(shed.messages), 8):
            broker.publish(*[(m.topic, m.payload) for m in shed.messages[at : at + 8]])
            time.sleep(0.02)
        shed.settle()
    finally:
        _end_the_observed(shed)
        shed.close()
        broker.kill()
    return shed, before, list(syscalls.events(record))


def _end_the_observed(shed: Shed) -> None:
    """End the daemon itself: were only strace killed, it would let go of the daemon, which would go on."""
    strace = shed.daemon.process
    if strace is None or strace.poll() is not None:
        return
    children = Path(f"/proc/{strace.pid}/task/{strace.pid}/children").read_text().split()
    for child in children:
        os.kill(int(child), signal.SIGKILL)
    strace.wait(20)


def _card_after(
    before: dict[str, bytes], happened: list[Event], store: Path, to: Path, dice: random.Random
) -> None:
    """Write into a folder what the card holds after a cut."""
    to.mkdir()
    for companion in ("", "-wal"):
        name = str(store) + companion
        content = _content(before.get(name), [e for e in happened if getattr(e, "path", None) == name], dice)
        if content is not None:
            (to / Path(name).name).write_bytes(content)


def _content(durable: bytes | None, happened: list[Event], dice: random.Random) -> bytes | None:
    """Return a file's content after a cut; None: it is not there."""
    last_sync = max((i for i, e in enumerate(happened) if isinstance(e, Synced)), default=-1)
    content = None if durable is None else bytearray(durable)
    for position, event in enumerate(happened):
        is_sure = position < last_sync
        if isinstance(event, Removed):
            if is_sure or dice.random() < 0.5:
                content = None
        elif isinstance(event, Truncated):
            if content is not None and (is_sure or dice.random() < 0.5):
                del content[event.size :]
                content.extend(bytes(event.size - len(content)))
        elif isinstance(event, Write):
            content = content if content is not None else bytearray()
            for offset, sector in _sectors(event):
                if is_sure or dice.random() < 0.5:
                    content.extend(bytes(max(0, offset + len(sector) - len(content))))
                    content[offset : offset + len(sector)] = sector
    return None if content is None else bytes(content)


def _sectors(write: Write) -> Iterator[tuple[int, bytes]]:
    begin = write.offset
    end = write.offset + len(write.data)
    while begin < end:
        stop = min(end, (begin // SECTOR + 1) * SECTOR)
        yield begin, write.data[begin - write.offset : stop - write.offset]
        begin = stop


def _opened(path: Path) -> tuple[str | None, set[tuple[str, int]]]:
    """Open a store as it is; return what is wrong with it, and its readings."""
    try:
        with closing(sqlite3.connect(path)) as connection:
            checked = connection.execute("PRAGMA integrity_check(1)").fetchone()[0]
            rows = connection.execute(
                "SELECT id, observed_ms FROM reading JOIN sensor ON key=sensor"
            ).fetchall()
    except sqlite3.DatabaseError as error:
        return str(error), set()
    return (None if checked == "ok" else checked), set(rows)


# --- what was acknowledged, from the bytes on the wire --------------------------------------------------------


def _broker_sockets(happened: list[Event]) -> set[str]:
    """Return the sockets on which MQTT was spoken: the first byte sent is that of CONNECT."""
    first: dict[str, bytes] = {}
    for event in happened:
        if isinstance(event, Said) and not event.is_heard:
            first.setdefault(event.socket, event.data)
    return {socket for socket, data in first.items() if data[:1] == b"\x10"}


def _acknowledged(happened: list[Event], sockets: set[str]) -> set[tuple[str, int]]:
    """Return the readings whose acknowledgement was given to the network."""
    found: set[tuple[str, int]] = set()
    for socket in sockets:
        heard = b"".join(
            e.data for e in happened if isinstance(e, Said) and e.socket == socket and e.is_heard
        )
        said = b"".join(
            e.data for e in happened if isinstance(e, Said) and e.socket == socket and not e.is_heard
        )
        by_id: dict[int, list[tuple[str, int]]] = {}
        for kind, body in _packets(heard):
            if kind >> 4 == 3:
                packet_id, reading = _published(kind, body)
                by_id.setdefault(packet_id, []).append(reading)
        for kind, body in _packets(said):
            if kind == 0x40:
                waiting = by_id.get(int.from_bytes(body[:2], "big"))
                if waiting:
                    found.add(waiting.pop(0))
    return found


def _packets(stream: bytes) -> Iterator[tuple[int, bytes]]:
    """Yield the MQTT control packets of a stream: first byte and body; one cut short at the end is left out.

    Source: MQTT 5.0, section 2.1 (fixed header) and 1.5.5 (variable byte integer).
    """
    at = 0
    while at < len(stream):
        kind, length, shift, position, byte = stream[at], 0, 0, at + 1, 0x80
        while byte & 0x80 and position < len(stream):
            byte = stream[position]
            length |= (byte & 0x7F) << shift
            shift += 7
            position += 1
        if byte & 0x80 or position + length > len(stream):
            return
        yield kind, stream[position : position + length]
        at = position + length


def _published(kind: int, body: bytes) -> tuple[int, tuple[str, int]]:
    """Return a PUBLISH's packet identifier and the reading in it. Source: MQTT 5.0, section 3.3.2."""
    topic_length = int.from_bytes(body[:2], "big")
    topic = body[2 : 2 + topic_length].decode()
    at = 2 + topic_length
    packet_id = int.from_bytes(body[at : at + 2], "big") if kind & 0x06 else 0
    at += 2 if kind & 0x06 else 0
    properties = body[at]  # under 128 bytes: the length is one byte
    records = json.loads(body[at + 1 + properties :])
    return packet_id, (topic.removeprefix("cellar/"), round(records[0]["bt"] * 1000))
