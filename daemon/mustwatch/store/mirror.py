"""The mirror: a thread of its own that sends what the spool holds to InfluxDB 2, and gives up on nothing.

It shares nothing with the live path but the store's file: it reads through reading connections, and writes one
short transaction per batch. A server that is away, for hours or days, costs the readings nothing; what it missed is
sent in order when it is back.
"""

import logging
import threading
from collections.abc import Callable, Mapping, Sequence
from typing import NamedTuple

from mustwatch.store.mirror_audit import Audit, Server
from mustwatch.store.mirror_lines import Lines, joined
from mustwatch.store.mirror_points import Points
from mustwatch.store.mirror_spool import Item, Spool
from mustwatch.store.mirror_troubles import Told, Troubles
from mustwatch.store.mirror_verdict import ServerError, Verdict
from mustwatch.store.store import Store
from mustwatch.watch.finding import Severity

log = logging.getLogger(__name__)

EVERY_S = 300.0
"""How often the mirror looks for something to send: each time a process is started for it, a second or two of a Pi."""
PASSING_FIRST_S, PASSING_MOST_S = 2.0, 300.0
"""Pauses while the server is away double between these: it is found again within five minutes."""
CLOSED_FIRST_S, CLOSED_MOST_S = 60.0, 900.0
"""Pauses while the server will have nothing from us; somebody may mend that on its side."""
PASSING_TOLD_AFTER_S = 50 * 60.0
"""A server that is away, or full, is told within an hour: nothing is lost, and most come back by themselves."""
REFUSED_AGAIN_S = 24 * 3600.0
"""How often it is tried whether what was refused is taken by now."""
MOST_SIFTINGS = 60
"""Writes spent on finding the bad points of one series; what is not told apart by then is set aside together."""
LOG_EVERY_S = 30.0
DEPTH_EVERY_S = 30.0
"""How often what waits is counted during a catch-up: counting millions of rows takes longer than sending a batch."""
BREATH_S = 0.05
"""Between two batches of a catch-up: on one small processor the live path comes first."""


class MirrorStatus(NamedTuple):
    """How the mirror is doing: points that wait, points set aside, and the trouble it is in, if any."""

    depth: int
    refused: int
    sent: int
    trouble: str | None


class Mirror:
    """Sends a store's readings, estimates, findings, alerts and book to a writer."""

    def __init__(
        self,
        store: Store,
        server: Server,
        lines: Lines,
        destination: str,
        kinds: Mapping[str, str],
        *,
        clock_ms: Callable[[], int],
        mono_s: Callable[[], float],
        on_trouble: Callable[[Told], None] = lambda _: None,
        on_caught_up: Callable[[], None] = lambda: None,
        every_s: float = EVERY_S,
    ) -> None:
        """Prepare; nothing is sent before ``start`` or ``turn``.

        Args:
            store, server, lines: from where, to where, and as what.
            destination: names where to; another one than the last time is sent everything.
            kinds: the sensors' kinds by id, for the tag.
            clock_ms, mono_s: the daemon's clock and the monotonic one.
            on_trouble: told, by the mirror's thread, of the trouble it is in after each turn; None: all is well.
            on_caught_up: called when there is nothing more to send for now.
            every_s: how often to look when there is nothing to catch up.
        """
        self._server = server
        self._destination = destination
        self._clock_ms = clock_ms
        self._mono_s = mono_s
        self._every_s = every_s
        self._kinds = kinds
        self._on_caught_up = on_caught_up
        self._is_catching_up = False
        self._troubles = Troubles(on_trouble)
        self._spool = Spool(store)
        self._points = Points(store, self._spool, lines, clock_ms)
        self._audit = Audit(self._spool, server, lines, self._troubles, clock_ms, mono_s)
        self._has_begun = False
        self._wait_s = 0.0
        self._failing_since_mono_s: float | None = None
        self._verdict: Verdict | None = None
        self._error = ""
        self._refused_tried_mono_s = -REFUSED_AGAIN_S
        self._logged_mono_s = -LOG_EVERY_S
        self._counted_mono_s = -DEPTH_EVERY_S
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="mirror", daemon=True)
        self.status = MirrorStatus(0, 0, 0, None)

    # --- running -------------------------------------------------------------------------------------------

    def start(self) -> None:
        """Begin, in a thread of its own."""
        self._thread.start()

    def stop(self, timeout_s: float = 5.0) -> None:
        """Stop after the present batch; a server that does not answer is not waited for: the spool is on disk."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(timeout_s)
            if self._thread.is_alive():
                self._server.close()

    def done_ms(self) -> int | None:
        """Return up to when readings were sent."""
        return self._spool.done_ms()

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                wait_s = self.turn()
            except Exception as error:
                # A fault here must not end the daemon: nobody would be called for a stuck wine over a broken chart.
                log.exception("the mirror failed; trying again in %d s", CLOSED_MOST_S)
                self._note(f"a fault of our own ({type(error).__name__}), see the log")
                wait_s = CLOSED_MOST_S
            self._stop.wait(wait_s)
        self._server.close()

    def turn(self) -> float:
        """Send one portion, and return how many seconds to wait before the next."""
        if not self._has_begun:
            self._spool.begin(self._destination, self._kinds, self._clock_ms())
            self._has_begun = True
        elif self._spool.resend_if_asked(self._clock_ms()):
            log.info("mirror %s is sent everything again", self._server.shown)
        try:
            return self._sent_portion()
        except ServerError as error:
            return self._failed(error)

    def _sent_portion(self) -> float:
        self._audit.look()
        self._points.retention_ms = self._audit.retention_ms
        self._spool.follow_book()
        self._try_refused()
        portion = self._spool.next(self._clock_ms())
        lines = self._points.of_portion(portion)
        refused = self._send(lines)
        if refused:
            self._spool.refuse(refused)
            log.warning("points were refused and set aside points=%d: %s", len(refused), refused[0][1])
        if portion.last_seq is not None or portion.until_ms is not None:
            self._spool.sent(portion)
        is_more = not portion.is_empty
        if is_more:
            self._audit.was_sent(is_recounted=bool(refused) or _takes_out(lines))
        else:
            is_more = self._audit.confirm()
        self._well(len(lines) - len(refused), is_caught_up=portion.is_empty)
        if self._is_catching_up and not is_more:
            self._on_caught_up()
        self._is_catching_up = is_more
        return BREATH_S if is_more else self._every_s

    # --- sending -------------------------------------------------------------------------------------------

    def _send(self, lines: Sequence[tuple[Item, str]]) -> list[tuple[Item, str]]:
        """Write lines; return the items refused for their own sake, with the reason.

        Raises:
            ServerError: the server is away, or closed to us; nothing is to be taken for written.
        """
        if not lines:
            return []
        try:
            self._server.write(joined(text for _, text in lines))
        except ServerError as error:
            if error.verdict is Verdict.TOO_OLD:
                log.info("the server keeps nothing so old: %s", error)
                return []
            if error.verdict is Verdict.TOO_LARGE and len(lines) > 1:
                half = len(lines) // 2
                return self._send(lines[:half]) + self._send(lines[half:])
            if error.verdict in (Verdict.REFUSED, Verdict.TOO_LARGE):
                return self._sort_out(lines, error)
            raise
        return []

    def _sort_out(self, lines: Sequence[tuple[Item, str]], error: ServerError) -> list[tuple[Item, str]]:
        """Find which points are refused: series by series, as a conflict is mostly one of a series' fields."""
        groups: dict[str, list[tuple[Item, str]]] = {}
        for item, text in lines:
            groups.setdefault(_series(text), []).append((item, text))
        refused: list[tuple[Item, str]] = []
        refused_groups = 0
        for group in groups.values():
            self._siftings = MOST_SIFTINGS
            found = self._sift(group)
            refused_groups += len(found) == len(group)
            refused += found
        if refused_groups == len(groups) > 1:
            # Not one point of any series: it is not the points.
            raise ServerError(Verdict.CLOSED, str(error))
        return refused

    def _sift(self, lines: Sequence[tuple[Item, str]]) -> list[tuple[Item, str]]:
        self._siftings -= 1
        try:
            self._server.write(joined(text for _, text in lines))
        except ServerError as error:
            if error.verdict is Verdict.TOO_OLD:
                return []
            if error.verdict not in (Verdict.REFUSED, Verdict.TOO_LARGE):
                raise
            if len(lines) == 1 or self._siftings <= 0:
                return [(item, str(error)) for item, _ in lines]
            half = len(lines) // 2
            return self._sift(lines[:half]) + self._sift(lines[half:])
        return []

    def _try_refused(self) -> None:
        """Once a day, try whether one of the refused points is taken by now; if so, all are sent again."""
        if self._mono_s() - self._refused_tried_mono_s < REFUSED_AGAIN_S:
            return
        item = self._spool.a_refused()
        if item is not None:
            try:
                self._server.write(joined(self._points.of_item(item)))
            except ServerError as error:
                if error.verdict in (Verdict.PASSING, Verdict.CLOSED):
                    return
            else:
                self._spool.release()
        self._refused_tried_mono_s = self._mono_s()

    # --- how it stands -------------------------------------------------------------------------------------

    def _failed(self, error: ServerError) -> float:
        now_mono_s = self._mono_s()
        is_closed = error.verdict is Verdict.CLOSED
        first_s, most_s = (CLOSED_FIRST_S, CLOSED_MOST_S) if is_closed else (PASSING_FIRST_S, PASSING_MOST_S)
        if self._failing_since_mono_s is None:
            self._failing_since_mono_s = now_mono_s
        if self._verdict is not error.verdict:
            self._verdict, self._wait_s = error.verdict, 0.0
        self._wait_s = min(most_s, max(first_s, self._wait_s * 2, error.retry_after_s or 0.0))
        self._error = str(error)
        self._audit.look_soon()
        if now_mono_s - self._logged_mono_s >= LOG_EVERY_S:
            self._logged_mono_s = now_mono_s
            log.warning("mirror %s %s; next_try_s=%d", self._server.shown, self._error, round(self._wait_s))
        failing_s = now_mono_s - self._failing_since_mono_s
        if failing_s >= (CLOSED_FIRST_S if is_closed else PASSING_TOLD_AFTER_S):
            self._troubles.note("sending", (f"{self._server.shown} {self._error}", Severity.WARNING))
        self._note(f"{self._server.shown} {self._error}")
        return self._wait_s

    def _well(self, sent: int, *, is_caught_up: bool) -> None:
        if self._failing_since_mono_s is not None and sent:
            log.info("mirror %s recovered, catching up", self._server.shown)
            self._failing_since_mono_s, self._verdict, self._wait_s = None, None, 0.0
            self._logged_mono_s = -LOG_EVERY_S
        self._note(None, sent, may_skip_depth=not is_caught_up)
        refused = self.status.refused
        aside = f"{refused} points are refused by {self._server.shown} and set aside"
        self._troubles.note("refused", (aside, Severity.NOTICE) if refused else None)
        if sent and self._failing_since_mono_s is None:
            self._troubles.note("sending", None)
            self._troubles.all_clear()

    def _note(self, trouble: str | None, sent: int = 0, *, may_skip_depth: bool = False) -> None:
        now_mono_s = self._mono_s()
        depth = max(0, self.status.depth - sent)
        if not may_skip_depth or now_mono_s - self._counted_mono_s >= DEPTH_EVERY_S:
            self._counted_mono_s = now_mono_s
            depth = self._spool.depth()
        self.status = MirrorStatus(depth, self._spool.refused(), self.status.sent + sent, trouble)


def _takes_out(lines: Sequence[tuple[Item, str]]) -> bool:
    """Say whether readings are taken out: what was counted before holds no more then."""
    return any(item.what == "reading" and " withdrawn=true " in text for item, text in lines)


def _series(text: str) -> str:
    """Return a line's measurement and tags: all before the first space that no backslash precedes."""
    position = text.find(" ")
    while position > 0 and text[position - 1] == "\\":
        position = text.find(" ", position + 1)
    return text[:position]
