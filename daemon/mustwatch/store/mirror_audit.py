"""The mirror's audit: whether the server still holds what was sent there, and for how long it will.

At the start, after every outage and once a day the server is asked for its marker, for the number of readings and for
the bucket's retention. What differs is told, and everything is sent again.
"""

import logging
from collections.abc import Callable
from typing import Protocol

from mustwatch.cellar.instant import DAY_MS, HOUR_MS, MINUTE_MS, SECOND_MS, from_ms
from mustwatch.store.mirror_influx import Whose
from mustwatch.store.mirror_lines import Lines
from mustwatch.store.mirror_marker import Counts, Marker, Standing, difference
from mustwatch.store.mirror_spool import Spool
from mustwatch.store.mirror_troubles import Troubles
from mustwatch.store.mirror_verdict import WRITE_ONLY, ServerError, Verdict
from mustwatch.watch.finding import Severity

log = logging.getLogger(__name__)

EVERY_S = 24 * 3600.0
CONFIRMED_AFTER_S = 3600.0
"""How long a difference is told, though it may be mended sooner: else nobody would hear of it."""
AGAIN_SHARE = 3
"""What must not be lost is sent again when this part of the bucket's retention is over."""


class Server(Protocol):
    """The mirror's server; every method may raise ``ServerError``."""

    @property
    def shown(self) -> str:
        """Return where it is, as may be shown."""
        ...

    def write(self, body: bytes) -> None:
        """Write a body of lines, once."""
        ...

    def standing(self, whose: Whose) -> Standing:
        """Return what the bucket keeps, and the markers in it."""
        ...

    def count_readings(self, whose: Whose, from_ms: int, until_ms: int) -> int:
        """Return how many readings stand there."""
        ...

    def close(self) -> None:
        """Let go."""
        ...


class Audit:
    """Compares a server with what was sent to it."""

    def __init__(
        self,
        spool: Spool,
        server: Server,
        lines: Lines,
        troubles: Troubles,
        clock_ms: Callable[[], int],
        mono_s: Callable[[], float],
    ) -> None:
        """Use the mirror's parts."""
        self._spool = spool
        self._server = server
        self._lines = lines
        self._whose = Whose.of(str(lines.whose["site"]), str(lines.whose["cellar"]))
        self._troubles = troubles
        self._clock_ms = clock_ms
        self._mono_s = mono_s
        self._look_due_s = -EVERY_S
        self._told_until_s = -EVERY_S
        self._counted_s = -EVERY_S
        self._marked_s = -EVERY_S
        self._counts: Counts | None = None
        self._is_readable = False
        self._is_changed = False
        self._is_whole = False
        self._is_unmarked = False
        self._is_again_due = False
        self._serial_there = 0
        self._unread: tuple[str, Severity] | None = None
        self.retention_ms: int | None = None
        """After how long the bucket drops points, as far as is known; None: never."""

    def look_soon(self) -> None:
        """Have the server asked before the next sending: it was away, and may be another one."""
        self._look_due_s = self._counted_s = -EVERY_S

    def was_sent(self, *, is_recounted: bool) -> None:
        """Note that something was sent; readings were taken out or moved if they are to be counted anew."""
        self._is_changed = True
        self._troubles.note(
            "unreadable", self._unread
        )  # not before: a token that is wrong may do nothing at all
        if is_recounted:
            self._counts = None

    def look(self) -> None:
        """Ask the server how it stands, if that is due; have everything sent again if it is not what it was."""
        if self._mono_s() >= self._look_due_s:
            self._is_as_sent()
        if self._spool.serial() == 0 and not self._is_unmarked:  # from now on it is known which server it is
            self._mark(0, self._clock_ms())

    def _is_as_sent(self) -> bool:
        """Ask the server how it stands, and say whether it is as it was left; else everything is sent again."""
        now_s = self._mono_s()
        standing = self._server.standing(self._whose)
        self._is_unmarked = False
        self._look_due_s = now_s + EVERY_S
        self._is_readable = standing.markers is not None
        instance, serial = self._spool.instance(), self._spool.serial()
        there = (standing.markers or {}).get(instance)
        self._serial_there = 0 if there is None else there.serial
        self._note_retention(standing.retention_s)
        self._unread = self._unreadable(standing)
        found = difference(standing, instance, serial)
        if found is not None:
            self._differs(found)
            return False
        if self._is_whole and now_s >= self._told_until_s:
            self._troubles.note("difference", None)
        elif now_s < self._told_until_s:
            self._look_due_s = self._told_until_s
        return True

    def _unreadable(self, standing: Standing) -> tuple[str, Severity] | None:
        if standing.markers is not None or not standing.is_told:
            if standing.why:
                log.info("the mirror cannot be asked what it holds: %s", standing.why)
            return None
        said = f"{self._server.shown} {WRITE_ONLY}; what stands there can be neither compared nor restored"
        return said, Severity.NOTICE

    def _note_retention(self, retention_s: int | None) -> None:
        former_ms = self.retention_ms
        self.retention_ms = retention_s * SECOND_MS if retention_s else None
        if self.retention_ms != former_ms and self._spool.serial() > 0:
            # What was sent before that was known is dropped at its own time.
            self._is_again_due = self.retention_ms is not None
        trouble = None
        if self.retention_ms is not None:
            trouble = (f"{self._server.shown} {retention_said(self.retention_ms)}", Severity.NOTICE)
        self._troubles.note("retention", trouble)

    def _differs(self, found: str) -> None:
        log.warning("mirror %s %s; sending everything again", self._server.shown, found)
        said = f"{self._server.shown} {found}; everything is sent again"
        kept_from_ms = self._spool.kept_from_ms()
        if kept_from_ms > 0:
            said += f", but the readings before {from_ms(kept_from_ms):%Y-%m-%d}, which are here no more"
        self._troubles.note("difference", (said, Severity.WARNING))
        self._is_whole = False
        self._spool.resend(self._clock_ms())
        self._counts = None
        self._look_due_s = self._told_until_s = self._mono_s() + CONFIRMED_AFTER_S

    def confirm(self) -> bool:
        """All is sent: compare, write the marker, send again what would be dropped; say if there is more to send."""
        now_ms, now_s = self._clock_ms(), self._mono_s()
        serial = self._spool.serial()
        if serial < 0 or (serial == 0 and not self._is_unmarked):
            return True
        if self._counts is None or now_s - self._counted_s >= EVERY_S:
            self._counts = self._spool.counts(now_ms)
            if now_s - self._counted_s >= EVERY_S:
                self._counted_s = now_s
                if self._has_fewer(self._counts, now_ms):
                    return True
        mark_every_ms = self._least(DAY_MS)
        if not self._is_unmarked and (self._is_changed or now_s - self._marked_s >= mark_every_ms / 1000):
            # A marker written on a server that was made anew meanwhile would hide that it was.
            if not self._is_as_sent():
                return True
            self._mark(serial, now_ms)
        self._is_whole = True
        if self._is_again_due or (
            self.retention_ms is not None
            and now_ms - self._spool.again_ms() >= self._least(self.retention_ms)
        ):
            self._is_again_due = False
            self._spool.note_book(now_ms)
            return True
        return False

    def _least(self, every_ms: int) -> int:
        return every_ms if self.retention_ms is None else min(every_ms, self.retention_ms // AGAIN_SHARE)

    def _has_fewer(self, counts: Counts, now_ms: int) -> bool:
        if not self._is_readable:
            return False
        from_ms, until_ms = counts.from_ms, min(counts.until_ms, self._spool.done_ms() or 0)
        if self.retention_ms is not None:  # what is about to be dropped may be gone or not
            from_ms = max(from_ms, now_ms - self.retention_ms + HOUR_MS)
        if from_ms >= until_ms:
            return False
        here = self._spool.readings_sent(from_ms, until_ms)
        there = self._server.count_readings(self._whose, from_ms, until_ms)
        if there >= here:
            return False
        self._differs(f"holds {there} of {here} readings")
        return True

    def _mark(self, former: int, now_ms: int) -> None:
        if self._counts is None:
            self._counts = self._spool.counts(now_ms)
        serial = max(now_ms, former + 1, self._serial_there + 1)
        marker = Marker(self._spool.instance(), serial, self._spool.counts(now_ms, self._counts))
        # One a day, or as many as keep it from being dropped.
        every_ms = next(e for e in (DAY_MS, HOUR_MS, MINUTE_MS) if e <= self._least(DAY_MS) or e == MINUTE_MS)
        try:
            self._server.write(marker.line(self._lines.whose, now_ms // every_ms * every_ms).encode())
        except ServerError as error:
            if error.verdict in (Verdict.PASSING, Verdict.CLOSED):
                raise
            self._is_unmarked = True  # the points are not to wait for it; it is tried again tomorrow
            log.warning("mirror %s takes no marker: %s", self._server.shown, error)
            return
        self._spool.marked(serial, former=former)
        self._serial_there = serial
        self._is_changed = False
        self._marked_s = self._mono_s()


def retention_said(retention_ms: int) -> str:
    """Return in words what a bucket that drops what is old means."""
    days = retention_ms / DAY_MS
    kept = f"{days:.3g} days" if days >= 1 else f"{retention_ms / HOUR_MS:.3g} hours"
    return (
        f"drops what is older than {kept}: older readings are in this store and its backups alone; the book, alerts "
        "and settings are sent again before they are dropped, while the daemon runs"
    )
