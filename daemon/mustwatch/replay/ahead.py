"""A record read ahead by a second process, where there is a second core to read it on.

Reading and decoding a record is a third of a replay, and needs nothing of the store. The piles come in the order of the
record through a pipe that holds a few of them, so memory stays bounded, and what is concluded is the same to the bit.
"""

import marshal
import multiprocessing
import os
import signal
from collections.abc import Collection, Iterable, Iterator
from contextlib import contextmanager
from multiprocessing.connection import Connection

from mustwatch.cellar.sensor import Sensor
from mustwatch.replay.record import Misread, Pile, piles_of

_END = b""


class ReaderEndedError(RuntimeError):
    """The reading process ended before the record did; it has said why."""


@contextmanager
def piles_ahead(
    lines: Iterable[str | bytes], sensors: Collection[Sensor], size: int, misread: Misread
) -> Iterator[Iterator[Pile]]:
    """Give what ``piles_of`` gives, read by another process if there is a core for it.

    Enter it before the store is opened: the other process should know of no database. ``lines`` must not be
    ``sys.stdin``'s, which is closed there.
    """
    if "fork" not in multiprocessing.get_all_start_methods() or len(os.sched_getaffinity(0)) < 2:
        yield piles_of(lines, sensors, size, misread)
        return
    receiver, sender = multiprocessing.Pipe(duplex=False)
    reader = multiprocessing.get_context("fork").Process(
        target=_read, args=(lines, sensors, size, sender, receiver), name="record", daemon=True
    )
    reader.start()
    sender.close()
    try:
        yield _received(receiver, misread)
    finally:
        receiver.close()
        reader.terminate()
        reader.join()


def _read(
    lines: Iterable[str | bytes],
    sensors: Collection[Sensor],
    size: int,
    sender: Connection,
    receiver: Connection,
) -> None:
    """Be the other process: send every pile, then what could not be read."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the terminal's is for whoever waits for us
    receiver.close()  # so that a pipe nobody reads breaks
    misread = Misread()
    try:
        for pile in piles_of(lines, sensors, size, misread):
            sender.send_bytes(pile.packed())
        sender.send_bytes(_END)
        sender.send_bytes(marshal.dumps((misread.lines, misread.first)))
    except BrokenPipeError:
        return


def _received(receiver: Connection, misread: Misread) -> Iterator[Pile]:
    try:
        while data := receiver.recv_bytes():
            yield Pile.unpacked(data)
        misread.lines, misread.first = marshal.loads(receiver.recv_bytes())  # noqa: S302 - our own
    except EOFError:
        raise ReaderEndedError("the process that reads the record ended before the record did") from None
