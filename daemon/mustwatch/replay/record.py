"""A recorded history's lines: what ``mosquitto_sub -F %j`` prints, read and decoded. Knows nothing of a store."""

import json
import marshal
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from itertools import islice
from typing import Any, NamedTuple

from mustwatch.cellar.instant import to_ms
from mustwatch.cellar.reading import Reading, Stamp
from mustwatch.cellar.sensor import Sensor
from mustwatch.ingest.arrival import Arrival
from mustwatch.ingest.decoders import RejectReason
from mustwatch.ingest.intake import Decoded, Intake, Quarantined


class UnreadableLineError(ValueError):
    """A line is not a record of a message; the text says what was expected."""


_new = tuple.__new__
"""Makes a named tuple of values known to be of the right number, at a third of its own maker's cost."""

_scan: Callable[[str, int], tuple[Any, int]] = json.JSONDecoder().scan_once  # type: ignore[attr-defined]
"""One JSON value at a position, in C; ``StopIteration`` where none begins. What ``json.loads`` wraps."""


def _time_ms(value: Any) -> int:
    if type(value) is str and value[-6:-5] in ("+", "-"):  # the ordinary case; mosquitto_sub writes "Z+0000"
        try:
            return to_ms(datetime.fromisoformat(value))
        except ValueError:
            raise UnreadableLineError(f"tst = {value[:40]!r}; expected ISO 8601 with an offset") from None
    if isinstance(value, bool) or value is None:
        raise UnreadableLineError("tst is missing; expected ISO 8601 with an offset, or epoch seconds")
    if isinstance(value, int | float):
        return int(value * 1000) if value < 1e11 else int(value)
    try:
        return to_ms(datetime.fromisoformat(value.replace("Z+", "+")))
    except (ValueError, AttributeError, TypeError):
        raise UnreadableLineError(f"tst = {str(value)[:40]!r}; expected ISO 8601 with an offset") from None


def _record_of(line: str | bytes) -> Any:
    try:
        text = line if isinstance(line, str) else line.decode("utf-8", "surrogatepass")
        try:
            record, end = _scan(text, 0)
        except StopIteration:
            return json.loads(text)
        # Ends it with the line, it is all there is; anything else after it is for ``json`` to judge.
        return record if end == len(text) or text[end:] == "\n" else json.loads(text)
    except (ValueError, RecursionError):
        raise UnreadableLineError("not JSON; expected an object with tst, topic and payload") from None


def arrival_of(line: str | bytes) -> Arrival:
    """Return the message that a line records.

    Raises:
        UnreadableLineError: the line is not JSON with ``tst``, ``topic`` and ``payload``.
    """
    record = _record_of(line)
    if not isinstance(record, dict):
        raise UnreadableLineError("not an object; expected one with tst, topic and payload")
    topic, payload = record.get("topic"), record.get("payload")
    if not isinstance(topic, str):
        raise UnreadableLineError("topic is missing; expected text")
    if payload is None:
        raise UnreadableLineError("payload is missing; expected text")
    text = payload if isinstance(payload, str) else json.dumps(payload)
    data = text.encode("utf-8", "surrogatepass")
    is_retained = "retain" in record and record["retain"] in (1, True)
    return _new(Arrival, (topic, data, _time_ms(record.get("tst")), 0.0, is_retained, False, len(data), None))


class Pile(NamedTuple):
    """What some lines on end amount to.

    Attributes:
        messages: how many they recorded.
        packs: the readings of each message that has any; ``clocks_ms``: the record's clock when it came.
        quarantined: what could not be read.
        clock_ms: the record's clock after the last of them.
    """

    messages: int
    packs: list[list[Reading]]
    clocks_ms: list[int]
    quarantined: list[Quarantined]
    clock_ms: int

    def packed(self) -> bytes:
        """Return it as bytes for another process of this program."""
        columns = [list(column) for column in zip(*(r for pack in self.packs for r in pack), strict=True)]
        if columns:
            columns[-1] = [stamp + 0 for stamp in columns[-1]]
        sizes = [len(pack) for pack in self.packs]
        quarantined = [(*q[:3], q.reason.value, *q[4:]) for q in self.quarantined]
        return marshal.dumps((self.messages, columns, sizes, self.clocks_ms, quarantined, self.clock_ms))

    @classmethod
    def unpacked(cls, data: bytes) -> "Pile":
        """Return the pile that was packed."""
        messages, columns, sizes, clocks_ms, quarantined, clock_ms = marshal.loads(data)  # noqa: S302 - our own
        if columns:
            columns[-1] = map(_STAMPS.__getitem__, columns[-1])
        readings = (_new(Reading, values) for values in zip(*columns, strict=True))
        is_plain = (
            len(sizes) == sum(sizes) and 0 not in sizes
        )  # the ordinary case: one reading in each message
        packs = [[one] for one in readings] if is_plain else [list(islice(readings, size)) for size in sizes]
        refused = [
            Quarantined(topic, head, length, RejectReason(reason), detail, received_ms)
            for topic, head, length, reason, detail, received_ms in quarantined
        ]
        return cls(messages, packs, clocks_ms, refused, clock_ms)


_STAMPS = tuple(Stamp)
"""By their number, which is their place."""


@dataclass(slots=True)
class Misread:
    """The lines of a record that are none."""

    lines: int = 0
    first: str | None = None


def piles_of(
    lines: Iterable[str | bytes], sensors: Iterable[Sensor], size: int, misread: Misread
) -> Iterator[Pile]:
    """Yield what a record's lines amount to, ``size`` messages at a time.

    Args:
        lines: the record; sensors: by whose topics it is read; size: messages in a pile.
        misread: counts the lines that record no message.
    """
    take = Intake(sensors).take
    arrivals = _arrivals(lines, misread)
    clock_ms = 0
    while some := list(islice(arrivals, size)):
        packs: list[list[Reading]] = []
        clocks_ms: list[int] = []
        refused: list[Quarantined] = []
        for arrival in some:
            if arrival[2] > clock_ms:
                clock_ms = arrival[2]
            outcome = take(arrival)
            if type(outcome) is Decoded:
                readings, quarantined = outcome
                packs.append(readings)
                clocks_ms.append(clock_ms)
            else:
                quarantined = outcome if isinstance(outcome, Quarantined) else None
            if quarantined is not None:
                refused.append(quarantined)
        yield Pile(len(some), packs, clocks_ms, refused, clock_ms)


def _arrivals(lines: Iterable[str | bytes], misread: Misread) -> Iterator[Arrival]:
    for number, line in enumerate(lines, 1):
        if not line.strip():
            continue
        try:
            yield arrival_of(line)
        except UnreadableLineError as error:
            misread.lines += 1
            if misread.first is None:
                misread.first = f"line {number}: {error}"
