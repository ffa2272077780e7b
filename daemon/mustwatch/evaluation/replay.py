"""A recorded history through the same pipeline: JSON lines as ``mosquitto_sub -F %j`` prints them.

The clock of a replay is the record's: what is concluded, and when it would have been told, is as it was live.
"""

import gc
import json
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from itertools import chain, islice
from typing import Any

from mustwatch.alerting.alert import Alert
from mustwatch.cellar.instant import to_ms
from mustwatch.cellar.reading import Reading
from mustwatch.evaluation.live import GRACE_MS, Evaluation
from mustwatch.ingest.arrival import Arrival
from mustwatch.ingest.intake import Decoded, Intake, Quarantined, Taken
from mustwatch.plan import CellarPlan, note_places
from mustwatch.store.readings import Unreadable
from mustwatch.store.store import Store

BATCH, BATCH_PER_SENSOR, LARGEST_BATCH = 5_000, 200, 50_000
"""Messages between commits: a crash costs replaying these again, which changes nothing. A large cellar has larger
batches, as far as memory allows."""
CHUNK, CHUNK_PER_SENSOR = 500, 20
"""Messages read at a time: what was just read is still in the processor's cache when it is evaluated, and every lot
is given some of its own at once."""
STATE_PER_SENSOR = 1_000
"""What the watches remember is written after so many messages of each sensor: writing it costs as much as some ten
readings. A replay that is broken off is concluded again from there."""


class UnreadableLineError(ValueError):
    """A line is not a record of a message; the text says what was expected."""


@dataclass(slots=True)
class Replayed:
    """What a replay came to."""

    messages: int = 0
    readings: int = 0
    duplicates: int = 0
    quarantined: int = 0
    bad_lines: int = 0
    first_bad_line: str | None = None


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


Said = tuple[int, Taken]
"""When a message came, by the record, and what it amounts to."""


@contextmanager
def _collector_at_rest() -> Iterator[None]:
    """Keep Python's collector of cycles from looking through a growing store of readings again and again.

    A reading makes no cycles; what else makes some is collected afterwards.
    """
    was_enabled = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_enabled:
            gc.enable()


class Replay:
    """Replays into a store."""

    def __init__(self, store: Store, plan: CellarPlan) -> None:
        """Set up; the sensors' places of the configuration hold from the beginning."""
        self._store = store
        self._plan = plan
        self.result = Replayed()

    def run(self, lines: Iterable[str | bytes], now_ms: int) -> Replayed:
        """Take every line, and close what the record's clock has passed.

        Conclusions are drawn and told at the instants they would have been; the card is written once a batch.
        """
        note_places(self._store, self._plan, now_ms)
        evaluation = Evaluation(self._store, self._plan, now_ms)
        said = self._said(lines, Intake(self._plan.sensors.values()))
        first = next(said, None)
        with self._store.database.hurried(), _collector_at_rest():
            # What the book says by now is taken up before the first reading, and need not be by the next `run`.
            evaluation.read_book()
            self._commit(evaluation, [], now_ms if first is None else first[0])
            said = said if first is None else chain((first,), said)
            clock_ms = self._replay(said, evaluation)
            evaluation.advance(clock_ms + GRACE_MS)
            self._commit(evaluation, [], clock_ms, with_states=True)
        return self.result

    def _replay(self, said: Iterator[Said], evaluation: Evaluation) -> int:
        """Take everything, and return the record's clock after it."""
        most = min(LARGEST_BATCH, max(BATCH, BATCH_PER_SENSOR * len(self._plan.sensors)))
        clock_ms = unwritten = unsaved = 0
        unreadable: list[Unreadable] = []
        at_once = CHUNK_PER_SENSOR * len(self._plan.sensors)
        while chunk := list(islice(said, min(max(CHUNK, at_once), most - unwritten))):
            unwritten += len(chunk)
            unsaved += len(chunk)
            with self._store.transaction():
                clock_ms = self._take(chunk, evaluation, unreadable, clock_ms)
                if unwritten >= most:
                    with_states = unsaved >= STATE_PER_SENSOR * len(self._plan.sensors)
                    self._commit(evaluation, unreadable, clock_ms, with_states=with_states)
                    unwritten = 0
                    unsaved = 0 if with_states else unsaved
        self._commit(evaluation, unreadable, clock_ms)
        return clock_ms

    def _take(
        self, chunk: Iterable[Said], evaluation: Evaluation, unreadable: list[Unreadable], clock_ms: int
    ) -> int:
        """Take so much in an open transaction, and return the record's clock after it."""
        packs: list[list[Reading]] = []
        clocks_ms: list[int] = []
        for received_ms, outcome in chunk:
            if received_ms > clock_ms:
                clock_ms = received_ms
            if type(outcome) is Decoded:
                readings, quarantined = outcome
                packs.append(readings)
                clocks_ms.append(clock_ms)
            else:
                quarantined = outcome if isinstance(outcome, Quarantined) else None
            if quarantined is not None:
                unreadable.append(unreadable_of(quarantined))
        for place in evaluation.take_all(packs):
            self._commit(evaluation, unreadable, clocks_ms[place])
        return clock_ms

    def _said(self, lines: Iterable[str | bytes], intake: Intake) -> Iterator[Said]:
        """Yield of each message when it came and what it amounts to."""
        take = intake.take
        for arrival in self._arrivals(lines):
            yield arrival.received_ms, take(arrival)

    def _arrivals(self, lines: Iterable[str | bytes]) -> Iterator[Arrival]:
        for number, line in enumerate(lines, 1):
            if not line.strip():
                continue
            try:
                arrival = arrival_of(line)
            except UnreadableLineError as error:
                self.result.bad_lines += 1
                if self.result.first_bad_line is None:
                    self.result.first_bad_line = f"line {number}: {error}"
                continue
            self.result.messages += 1
            yield arrival

    def _commit(
        self,
        evaluation: Evaluation,
        unreadable: list[Unreadable],
        now_ms: int,
        *,
        with_states: bool = False,
    ) -> None:
        with self._store.transaction():
            self._store.readings.quarantine(unreadable)
            outcome = evaluation.commit(now_ms, with_states=with_states)
        self.result.quarantined += len(unreadable)
        unreadable.clear()
        self.result.readings += outcome.stored
        self.result.duplicates += outcome.duplicates

    def alerts(self) -> list[Alert]:
        """Return every alert the store holds, oldest first."""
        return self._store.alerts.recent(-(2**62))


def unreadable_of(quarantined: Quarantined) -> Unreadable:
    """Return a quarantined arrival as the store keeps it."""
    return Unreadable(
        quarantined.received_ms,
        quarantined.topic,
        quarantined.payload_head,
        quarantined.reason.value,
        quarantined.detail,
    )
