"""The outbox worker: one thread that decides and writes, and a short-lived thread for each sending.

Only the worker's own thread touches the store. A sending that hangs holds up its own target and nobody else; after
``Pace.send_limit_s`` the worker stops waiting for it and takes it for failed, yet still listens for its answer.
"""

import logging
import queue
import threading
import time
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from mustwatch.alerting.message import Message
from mustwatch.deliver.deliverer import Deliverer, Outcome, Parcel, Picture, TellAddress
from mustwatch.deliver.lane import Lane, Pace
from mustwatch.deliver.outbox import OutboxRow, OutboxStore
from mustwatch.deliver.parcel import parcel_of
from mustwatch.watch.findings.delivery_trouble import Trouble, Troubles

log = logging.getLogger(__name__)

LOG_EVERY_S = 30.0
"""A target in trouble is logged at most this often."""


@dataclass(slots=True)
class Sending:
    """One attempt on its way."""

    row: OutboxRow
    lane_name: str
    begun_mono: float
    is_abandoned: bool = False


@dataclass(slots=True)
class _Marks:
    """What was concluded but is not on disk yet, because the store could not be written."""

    told: dict[str, int] = field(default_factory=dict)


class OutboxWorker:
    """Sends what waits in the outbox, target by target, until told to stop.

    Args:
        store: where messages wait.
        deliverer: what sends one of them once.
        addresses: whom to tell; messages for other targets are left waiting, to be seen.
        clock_ms: the daemon's clock.
        rouse: told that somebody will be sent something in a moment, before anything is written or drawn for it;
            returns at once and never raises.
        link: the address that acknowledges what a message tells, or an empty text.
        pictures: makes the pictures that go with a message, or none; called just before sending.
        on_trouble: told of the targets in trouble whenever they change, and once after the first delivery, so
            that a trouble left open by a former run is cleared.
        pace: how patiently; the default suits a cellar.
        mono: a clock that cannot be set, in seconds.
        start: runs a sending; by default in a thread of its own.
    """

    def __init__(
        self,
        store: OutboxStore,
        deliverer: Deliverer,
        addresses: Sequence[TellAddress],
        clock_ms: Callable[[], int],
        *,
        rouse: Callable[[TellAddress], None] = lambda address: None,
        link: Callable[[Message], str] = lambda message: "",
        pictures: Callable[[Message], Sequence[Picture]] = lambda message: (),
        on_trouble: Callable[[Troubles], None] = lambda troubles: None,
        pace: Pace | None = None,
        mono: Callable[[], float] = time.monotonic,
        start: Callable[[Callable[[], None]], None] | None = None,
    ) -> None:
        """Take over what is needed; nothing is sent before ``start`` or ``turn``."""
        self._store = store
        self._deliverer = deliverer
        self._clock_ms = clock_ms
        self._rouse = rouse
        self._link = link
        self._pictures = pictures
        self._on_trouble = on_trouble
        self._mono = mono
        self._start = start or _in_a_thread
        self._pace = pace or Pace()
        self._lanes = {address.name: Lane(address, self._pace) for address in addresses}
        self._sendings: dict[str, Sending] = {}
        self._answers: queue.SimpleQueue[tuple[Sending, Outcome]] = queue.SimpleQueue()
        self._marks = _Marks()
        self._reported: Mapping[str, Trouble] | None = None
        self._logged_mono: dict[str, float] = {}
        self._wake = threading.Event()
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self.last_turn_mono = mono()
        """When the worker last finished a turn: what a watchdog asks."""
        self.waiting = 0
        """How many messages waited at the last turn."""

    # --- running -------------------------------------------------------------------------------------------

    def start(self) -> None:
        """Begin to work in a thread of its own."""
        self._thread = threading.Thread(target=self._run, name="outbox", daemon=True)
        self._thread.start()

    def wake(self) -> None:
        """Look at once: something was put into the outbox."""
        self._wake.set()

    def stop(self, timeout_s: float = 10.0) -> None:
        """Stop after the present turn, waiting a little for sendings on their way.

        What has not answered by then stays marked as unfinished and is repeated at the next start, saying so.
        """
        self._stop.set()
        self._wake.set()
        if self._thread is not None:
            self._thread.join(timeout_s)

    @property
    def is_alive(self) -> bool:
        """Say whether the worker's thread runs; a dead one is a bug that must end the process."""
        return self._thread is not None and self._thread.is_alive()

    def _run(self) -> None:
        while not self._stop.is_set():
            wait_s = self.turn()
            self._wake.wait(wait_s)
            self._wake.clear()
        deadline = self._mono() + 5.0
        while self._sendings and self._mono() < deadline:
            self._wake.wait(0.1)
            self._wake.clear()
            self._take_answers()

    def turn(self) -> float:
        """Do all that can be done now, and return how many seconds nothing more will be to do."""
        self._take_answers()
        self._abandon_late_ones()
        try:
            rows = self._rows()
        except Exception:
            # A full card or a locked store passes; the messages are safe where they are.
            log.exception("outbox cannot be read; trying again in %d s", self._pace.idle_s)
            self.last_turn_mono = self._mono()
            return self._pace.idle_s
        self.waiting = sum(len(of_target) for of_target in rows.values())
        waits = [self._pace.idle_s]
        for name, lane in self._lanes.items():
            waits.append(self._serve(name, lane, rows.get(name, [])))
        self._report(rows)
        self.last_turn_mono = self._mono()
        return max(0.0, min(waits))

    def _rows(self) -> dict[str, list[OutboxRow]]:
        self._write_marks()
        by_target: defaultdict[str, list[OutboxRow]] = defaultdict(list)
        for row in self._store.waiting():
            if row.message.id not in self._marks.told:
                by_target[row.message.target].append(row)
        for rows in by_target.values():
            rows.sort(key=lambda row: (row.message.created_ms, row.message.order))
        return by_target

    # --- sending -------------------------------------------------------------------------------------------

    def _serve(self, name: str, lane: Lane, rows: list[OutboxRow]) -> float:
        """Begin the target's next sending if it is time, and return the seconds until it will be."""
        now_mono, now_ms = self._mono(), self._clock_ms()
        lane.forget_gone(rows)
        sending = self._sendings.get(name)
        if sending is not None:
            return sending.begun_mono + self._pace.send_limit_s - now_mono
        try:
            for id_ in lane.given_up(rows, now_mono, now_ms):
                self._store.mark_expired(id_, now_ms)
                log.info("message given up: id=%s target=%s", id_, name)
                rows[:] = [row for row in rows if row.message.id != id_]
            row = lane.pick(rows, now_mono)
            if row is None:
                next_mono = lane.next_mono(rows)
                return self._pace.idle_s if next_mono is None else max(next_mono - now_mono, 0.5)
            self._rouse(lane.address)
            self._store.mark_attempt(row.message.id, now_ms)
        except Exception:
            log.exception("outbox cannot be written, nothing is sent to %s; trying again", name)
            return self._pace.idle_s
        self._send(name, lane, row, now_mono, now_ms)
        return self._pace.send_limit_s

    def _send(self, name: str, lane: Lane, row: OutboxRow, now_mono: float, now_ms: int) -> None:
        sending = self._sendings[name] = Sending(row, name, now_mono)
        parcel = parcel_of(row, now_ms, self._link(row.message))

        def work() -> None:
            outcome = self._attempt(lane.address, row.message, parcel)
            self._answers.put((sending, outcome))
            self._wake.set()

        self._start(work)

    def _attempt(self, address: TellAddress, message: Message, parcel: Parcel) -> Outcome:
        try:
            pictures = tuple(self._pictures(message))
        except Exception:
            # A picture is an extra; a message without it is better than none.
            log.exception("no picture for message %s", message.id)
            pictures = ()
        try:
            return self._deliverer.deliver(
                address, Parcel(parcel.title, parcel.body, parcel.severity, pictures)
            )
        except Exception as error:  # noqa: BLE001 - logged below, by type only
            # Its text may hold the address; its type cannot.
            log.error("deliverer failed: target=%s error=%s", address.name, type(error).__name__)
            return Outcome(False, f"the notification library failed ({type(error).__name__})", True)

    # --- answers -------------------------------------------------------------------------------------------

    def _take_answers(self) -> None:
        while True:
            try:
                sending, outcome = self._answers.get_nowait()
            except queue.Empty:
                return
            if sending.is_abandoned:
                if outcome.delivered:
                    self._delivered(sending)
            else:
                del self._sendings[sending.lane_name]
                if outcome.delivered:
                    self._delivered(sending)
                else:
                    self._failed(sending, outcome)

    def _abandon_late_ones(self) -> None:
        now_mono = self._mono()
        for name, sending in list(self._sendings.items()):
            if now_mono - sending.begun_mono >= self._pace.send_limit_s:
                sending.is_abandoned = True
                del self._sendings[name]
                self._failed(
                    sending, Outcome(False, f"no answer within {self._pace.send_limit_s:.0f} s", True)
                )

    def _delivered(self, sending: Sending) -> None:
        lane = self._lanes[sending.lane_name]
        id_ = sending.row.message.id
        if lane.failures:
            log.info("target %s recovered after %d failed attempts", sending.lane_name, lane.failures)
        lane.went_well(id_)
        self._marks.told[id_] = self._clock_ms()
        self._write_marks()

    def _failed(self, sending: Sending, outcome: Outcome) -> None:
        lane = self._lanes[sending.lane_name]
        now_mono, now_ms = self._mono(), self._clock_ms()
        error = outcome.error or "not delivered"
        wait_s = lane.went_wrong(sending.row, error, outcome.is_refusal, now_mono, now_ms)
        if now_mono - self._logged_mono.get(sending.lane_name, -LOG_EVERY_S) >= LOG_EVERY_S:
            self._logged_mono[sending.lane_name] = now_mono
            log.warning(
                "not delivered: target=%s error=%s next_try_s=%d", sending.lane_name, error, round(wait_s)
            )
        try:
            self._store.mark_failed(
                sending.row.message.id,
                now_ms,
                error,
                now_ms + round(wait_s * 1000),
                outcome.may_have_arrived,
            )
        except Exception:
            # The row stays unfinished on disk: it is sent again, saying that it may be a repeat.
            log.exception("outbox cannot be written: message=%s", sending.row.message.id)

    def _write_marks(self) -> None:
        """Write that messages were told; what cannot be written now is kept, and not sent again meanwhile."""
        for id_, at_ms in list(self._marks.told.items()):
            try:
                self._store.mark_told(id_, at_ms)
            except Exception:
                log.exception("outbox cannot be written: told message=%s; trying again", id_)
                return
            del self._marks.told[id_]

    # --- trouble -------------------------------------------------------------------------------------------

    def _report(self, rows: Mapping[str, Sequence[OutboxRow]]) -> None:
        """Tell of targets in trouble when they change."""
        now_mono = self._mono()
        found = {name: lane.judge(len(rows.get(name, ())), now_mono) for name, lane in self._lanes.items()}
        troubles = {name: trouble for name, trouble in found.items() if trouble is not None}
        is_news = troubles != self._reported if self._reported is not None else bool(troubles)
        is_first_delivery = self._reported is None and any(lane.was_well for lane in self._lanes.values())
        if is_news or is_first_delivery:
            self._reported = troubles
            self._on_trouble(troubles)


def _in_a_thread(work: Callable[[], None]) -> None:
    threading.Thread(target=work, name="sending", daemon=True).start()
