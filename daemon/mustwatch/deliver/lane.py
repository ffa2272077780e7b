"""One target's way out: what goes next, how long to wait after a failure, and whether it is in trouble.

Holds no thread and no clock: every instant is handed in, so that its rules are tested as such.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

from mustwatch.alerting.message import MessageKind
from mustwatch.deliver.deliverer import TellAddress
from mustwatch.deliver.outbox import OutboxRow
from mustwatch.watch.findings.delivery_trouble import Trouble


@dataclass(frozen=True, slots=True)
class Pace:
    """How patiently a target is tried. Seconds of a clock that cannot be set.

    Attributes:
        first_wait_s: after a first failure: long enough for a router to come back, short enough for an urgent
            message. It doubles with each further failure…
        longest_wait_s: …up to this: after an outage of days a message still leaves within a quarter of an hour.
        refusals_before_aside: a message that the other side refused for its own sake this often lets others
            overtake it…
        attempts_before_aside: …and so does one that failed this often for whatever reason (over five hours).
        aside_wait_s: a message set aside is tried again this often.
        earnest_s: a message past its time is given up only when its target has taken nothing for this long: a
            Pi whose clock jumps from 1970 to today must not throw its messages away.
        trouble_after_s: a target that could not be told for this long is worth a finding of its own.
        send_limit_s: how long the worker waits for one sending before it takes it for failed. The library's own
            limits are far below.
        idle_s: how often the worker looks even if nobody wakes it, so that its heart can be heard.
    """

    first_wait_s: float = 15.0
    longest_wait_s: float = 900.0
    refusals_before_aside: int = 3
    attempts_before_aside: int = 24
    aside_wait_s: float = 3_600.0
    earnest_s: float = 4 * 3_600.0
    trouble_after_s: float = 1_800.0
    send_limit_s: float = 60.0
    idle_s: float = 30.0


@dataclass(slots=True)
class Aside:
    """A message that others may overtake, and when it is tried again (monotonic seconds)."""

    retry_mono: float


@dataclass(slots=True)
class Lane:
    """The state of one target's deliveries; lost at a restart, and rebuilt by trying.

    Attributes:
        address: whom to tell; ``pace``: how patiently.
        failures: attempts that failed since the last one that went well.
        retry_mono: when to try again after a failure (monotonic seconds).
        failing_mono, failing_ms: since when nothing went through; None while all is well.
        error: the latest reason.
        refusals: by message, how often the other side refused it for its own sake.
        aside: messages that others may overtake.
        trouble: what was last reported.
        was_well: something was delivered since the start.
    """

    address: TellAddress
    pace: Pace = Pace()
    failures: int = 0
    retry_mono: float = 0.0
    failing_mono: float | None = None
    failing_ms: int = 0
    error: str = ""
    refusals: dict[str, int] = field(default_factory=dict)
    aside: dict[str, Aside] = field(default_factory=dict)
    trouble: Trouble | None = None
    was_well: bool = False

    def pick(self, rows: Sequence[OutboxRow], now_mono: float) -> OutboxRow | None:
        """Return the row to try now, or None: the oldest one that is not set aside.

        A row never overtakes one about the same alert: "over" must not arrive before what is over.
        """
        if now_mono < self.retry_mono:
            return None
        blocked: set[str] = set()
        for row in rows:
            message = row.message
            aside = self.aside.get(message.id)
            if aside is not None and now_mono < aside.retry_mono:
                blocked.update(message.alert_ids)
            elif blocked.isdisjoint(message.alert_ids):
                return row
            else:
                blocked.update(message.alert_ids)
        return None

    def next_mono(self, rows: Sequence[OutboxRow]) -> float | None:
        """Return when ``pick`` has something again (monotonic seconds), or None if nothing waits."""
        if not rows:
            return None
        asides = [self.aside[row.message.id].retry_mono for row in rows if row.message.id in self.aside]
        soonest = min(asides) if len(asides) == len(rows) else 0.0
        return max(self.retry_mono, soonest)

    def went_well(self, message_id: str) -> None:
        """Take note that a message was delivered."""
        self.failures = 0
        self.retry_mono = 0.0
        self.failing_mono = None
        self.was_well = True
        self.refusals.pop(message_id, None)
        self.aside.pop(message_id, None)

    def went_wrong(self, row: OutboxRow, error: str, is_refusal: bool, now_mono: float, now_ms: int) -> float:
        """Take note that an attempt failed, and return the seconds until the next one."""
        message = row.message
        self.failures += 1
        self.error = error
        if self.failing_mono is None and message.id not in self.aside:
            # A row that was tried before the daemon started has been failing since it was put in.
            is_old_trouble = row.attempts > 0 and not self.was_well
            already_s = max(0, now_ms - message.created_ms) / 1000 if is_old_trouble else 0.0
            self.failing_mono = now_mono - already_s
            self.failing_ms = now_ms - round(already_s * 1000)
        wait_s = min(self.pace.first_wait_s * 2.0 ** min(self.failures - 1, 16), self.pace.longest_wait_s)
        if is_refusal:
            self.refusals[message.id] = self.refusals.get(message.id, 0) + 1
        refused = self.refusals.get(message.id, 0) >= self.pace.refusals_before_aside
        if refused or row.attempts >= self.pace.attempts_before_aside:
            self.aside[message.id] = Aside(now_mono + self.pace.aside_wait_s)
        if refused:
            # The way is open, only this message is not taken: the others need not wait.
            self.failures = 0
            wait_s = self.pace.first_wait_s
        self.retry_mono = now_mono + wait_s
        return wait_s

    def forget_gone(self, rows: Sequence[OutboxRow]) -> None:
        """Forget what was known of messages that no longer wait."""
        here = {row.message.id for row in rows}
        self.refusals = {id_: n for id_, n in self.refusals.items() if id_ in here}
        self.aside = {id_: aside for id_, aside in self.aside.items() if id_ in here}

    def given_up(self, rows: Sequence[OutboxRow], now_mono: float, now_ms: int) -> list[str]:
        """Return the ids of the messages not worth sending any more.

        A reminder is not, when a later message about the same alerts waits behind it. Anything else past its
        time is given up only after the target has been tried in earnest.
        """
        gone = []
        tried_s = 0.0 if self.failing_mono is None else now_mono - self.failing_mono
        later: set[str] = set()
        for row in reversed(rows):
            message = row.message
            is_past = now_ms > message.expires_ms
            is_overtaken = message.kind is MessageKind.REPEAT and later.issuperset(message.alert_ids)
            is_tried = tried_s >= self.pace.earnest_s or row.attempts >= self.pace.attempts_before_aside
            if is_overtaken or (is_past and (is_tried or message.kind is MessageKind.TEST)):
                gone.append(message.id)
            later.update(message.alert_ids)
        return gone

    def judge(self, waiting: int, now_mono: float) -> Trouble | None:
        """Return the trouble this target is in, or None. Only a delivery ends it: silence is not good news."""
        if self.failing_mono is None:
            self.trouble = None
        elif self.trouble is None and waiting and now_mono - self.failing_mono >= self.pace.trouble_after_s:
            self.trouble = Trouble(self.failing_ms, self.error, waiting)
        return self.trouble
