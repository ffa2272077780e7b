"""A recorded history through the same pipeline: JSON lines as ``mosquitto_sub -F %j`` prints them.

The clock of a replay is the record's: what is concluded, and when it would have been told, is as it was live.
"""

import json
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from itertools import islice
from typing import Any

from mustwatch.alerting.alert import Alert
from mustwatch.cellar.instant import to_ms
from mustwatch.evaluation.live import GRACE_MS, Evaluation
from mustwatch.ingest.arrival import Arrival
from mustwatch.ingest.intake import Decoded, Intake, Quarantined
from mustwatch.plan import CellarPlan, note_places
from mustwatch.store.readings import Unreadable
from mustwatch.store.store import Store

BATCH, BATCH_PER_SENSOR, LARGEST_BATCH = 5_000, 200, 50_000
"""Messages between commits: a crash costs replaying these again, which changes nothing. Each commit writes what the
watch of every lot remembers, so that a large cellar has larger batches, as far as memory allows."""


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
        return record if end == len(text) or text[end:].isspace() else json.loads(text)
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
    is_retained = record.get("retain") in (1, True)
    return Arrival(topic, data, _time_ms(record.get("tst")), 0.0, is_retained, False, len(data))


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
        intake = Intake(self._plan.sensors.values())
        evaluation = Evaluation(self._store, self._plan, now_ms)
        clock_ms = 0
        arrivals = self._arrivals(lines)
        most = min(LARGEST_BATCH, max(BATCH, BATCH_PER_SENSOR * len(self._plan.sensors)))
        while batch := list(islice(arrivals, most)):
            with self._store.transaction():
                clock_ms = self._take(batch, intake, evaluation, clock_ms)
            intake.ledger.committed()
        evaluation.advance(clock_ms + GRACE_MS)
        self._commit(evaluation, [], clock_ms)
        return self.result

    def _take(self, batch: Iterable[Arrival], intake: Intake, evaluation: Evaluation, clock_ms: int) -> int:
        """Take a batch in an open transaction, and return the record's clock after it."""
        unreadable: list[Unreadable] = []
        for arrival in batch:
            if arrival.received_ms > clock_ms:
                clock_ms = arrival.received_ms
            outcome = intake.take(arrival)
            quarantined = outcome if isinstance(outcome, Quarantined) else None
            if isinstance(outcome, Decoded):
                for reading in outcome.readings:
                    evaluation.take(reading)
                quarantined = outcome.quarantined
            if quarantined is not None:
                unreadable.append(unreadable_of(quarantined))
            if evaluation.wants_commit:
                self._commit(evaluation, unreadable, clock_ms)
                unreadable = []
        self._commit(evaluation, unreadable, clock_ms)
        return clock_ms

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

    def _commit(self, evaluation: Evaluation, unreadable: list[Unreadable], now_ms: int) -> None:
        with self._store.transaction():
            self._store.readings.quarantine(unreadable)
            outcome = evaluation.commit(now_ms)
        self.result.readings += outcome.stored
        self.result.duplicates += outcome.duplicates
        self.result.quarantined += len(unreadable)

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
