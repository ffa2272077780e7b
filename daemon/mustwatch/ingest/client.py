"""The MQTT source: a persistent session, messages into the inbox, acknowledgements back once they are on disk.

One thread does everything with the network: it connects, reads, acknowledges and reconnects. So an acknowledgement
meant for one connection can never slip onto the next, where its packet identifier may name another message. When
the inbox is full the thread stops reading, and the broker holds the rest.
"""

import contextlib
import logging
import socket
import threading
from collections import deque
from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import Final, NamedTuple

from mustwatch.ingest.arrival import AckToken, Arrival
from mustwatch.ingest.broker_settings import BrokerSettings
from mustwatch.ingest.connection import Connection
from mustwatch.ingest.inbox import Inbox
from mustwatch.ingest.system_clock import mono_s, wall_ms

log = logging.getLogger(__name__)

BACKOFF_FIRST_S: Final = 1.0
BACKOFF_MOST_S: Final = 60.0
"""Pauses between attempts to connect double from the first to this: a broker that is back is found within a minute."""
STABLE_S: Final = 30.0
"""A connection that lasted this long was a good one: the next pause is the first again."""
SUSPICIOUS: Final = 3
"""That many connections in a row which the broker took and which did not last are no coincidence."""
TURN_S: Final = 1.0
"""The longest the thread waits for the network before it looks around."""
HEALTHY_S: Final = 90.0
"""A thread that did not come round for this long is stuck: a name look-up may take half a minute."""
LOG_EVERY_S: Final = 30.0
"""One line of trouble in this time, however often we try."""


class SessionNews(StrEnum):
    """What a connection showed of the session that the broker keeps for us."""

    RESUMED = "resumed"
    NEW = "new"
    CONTESTED = "contested"
    """Connections that the broker took did not last, again and again: somebody else uses our client id."""


class SourceStatus(NamedTuple):
    """How the source is doing, for the health page.

    Attributes:
        is_connected: the broker has taken us and our subscriptions.
        trouble: why not, one line, or None. It stays None for a broken subscription, see ``refused_topics``.
        refused_topics: topics the broker does not let us have.
        received, acknowledged, connections: counts since the start.
        stale_acknowledgements: not sent, as their connection was gone; the broker repeats those messages.
        waiting: arrivals in the inbox.
    """

    is_connected: bool
    trouble: str | None
    refused_topics: tuple[str, ...]
    received: int
    acknowledged: int
    stale_acknowledgements: int
    connections: int
    waiting: int


@dataclass(slots=True)
class _Counts:
    received: int = 0
    acknowledged: int = 0
    stale: int = 0
    connections: int = 0


class MqttSource:
    """Arrivals from a broker, each to be acknowledged when it is kept.

    ``receive`` and ``acknowledge`` are for the pipeline's thread; everything else is safe from any.
    """

    def __init__(
        self,
        settings: BrokerSettings,
        topics: Collection[str],
        *,
        former_topics: Collection[str] = (),
        on_fatal: Callable[[BaseException], None] = lambda fault: None,
        on_session: Callable[[SessionNews], None] = lambda news: None,
        wall_ms: Callable[[], int] = wall_ms,
        mono_s: Callable[[], float] = mono_s,
        backoff_first_s: float = BACKOFF_FIRST_S,
        backoff_most_s: float = BACKOFF_MOST_S,
    ) -> None:
        """Prepare; nothing is connected before ``start``.

        Args:
            settings: where the broker is.
            topics: exact topics to subscribe to.
            former_topics: topics of earlier configurations, which the broker's session may still hold.
            on_fatal: told of a fault that ends the source, from its thread: the process should end.
            on_session: told of the session when the broker has taken us, and when it is contested; from its thread.
            wall_ms: the wall clock; ``mono_s``: the monotonic one. They stamp arrivals.
            backoff_first_s: the first pause before a new attempt, which doubles up to ``backoff_most_s``.
        """
        self._settings = settings
        self._topics = frozenset(topics)
        self._former_topics = frozenset(former_topics) - self._topics
        self._on_fatal = on_fatal
        self._on_session = on_session
        self._wall_ms = wall_ms
        self._mono_s = mono_s
        self._inbox = Inbox(2 * settings.receive_maximum)
        self._inbox.on_room = self._wake
        self._stopping = threading.Event()
        self.last_advance_mono = mono_s()
        self.fault: BaseException | None = None
        self._counts = _Counts()
        self._short_lived = 0
        self._trouble: str | None = None
        self._trouble_logged_mono_s = -LOG_EVERY_S
        self._is_trouble_told = False
        self._acks: deque[AckToken] = deque()
        self._backoff_first_s = backoff_first_s
        self._backoff_most_s = backoff_most_s
        self._connection: Connection | None = None
        self._wake_receiver, self._wake_sender = socket.socketpair()
        self._wake_receiver.setblocking(False)
        self._wake_sender.setblocking(False)
        self._thread = threading.Thread(target=self._run, name="mqtt", daemon=True)

    def start(self) -> None:
        """Begin to connect, in a thread of its own. A broker that is away is passing trouble, not an error."""
        self._thread.start()

    def stop(self, timeout_s: float = 10.0) -> None:
        """Send the acknowledgements given so far, take leave of the broker, and end the thread."""
        self._stopping.set()
        self._wake()
        if self._thread.is_alive():
            self._thread.join(timeout_s)
        if not self._thread.is_alive():
            self._wake_receiver.close()
            self._wake_sender.close()

    def receive(self, most: int, timeout_s: float) -> list[Arrival]:
        """Return up to ``most`` arrivals in their order, waiting up to ``timeout_s`` for the first."""
        return self._inbox.receive(most, timeout_s)

    def wake(self) -> None:
        """Let whoever waits in ``receive``, or waits there next, come back at once."""
        self._inbox.wake()

    def acknowledge(self, arrivals: Iterable[Arrival]) -> None:
        """Let the broker forget what these arrivals said: it is on disk. In the order they came."""
        self._acks.extend(arrival.token for arrival in arrivals if arrival.token is not None)
        self._wake()

    @property
    def is_connected(self) -> bool:
        """Return whether the broker has accepted us and taken our subscriptions."""
        return self.status().is_connected

    def healthy(self) -> bool:
        """Return whether the thread lives and comes round. Being disconnected is not unhealthy."""
        return (
            self.fault is None
            and self._thread.is_alive()
            and self._mono_s() - self.last_advance_mono < HEALTHY_S
        )

    def status(self) -> SourceStatus:
        """Return how the source is doing."""
        connection, counts = self._connection, self._counts
        return SourceStatus(
            is_connected=connection is not None and connection.is_ready,
            trouble=self._trouble,
            refused_topics=tuple(sorted(connection.refused_topics)) if connection is not None else (),
            received=counts.received,
            acknowledged=counts.acknowledged,
            stale_acknowledgements=counts.stale,
            connections=counts.connections,
            waiting=len(self._inbox),
        )

    def _run(self) -> None:
        delay_s = self._backoff_first_s
        try:
            while not self._stopping.is_set():
                began_mono_s = self._mono_s()
                self._connect_and_serve()
                if self._mono_s() - began_mono_s >= STABLE_S:
                    delay_s = self._backoff_first_s
                    self._short_lived = 0
                self._pause(delay_s)
                delay_s = min(2.0 * delay_s, self._backoff_most_s)
        except BaseException as fault:
            self.fault = fault
            log.exception("the MQTT source failed; the process must be restarted")
            self._on_fatal(fault)

    def _connect_and_serve(self) -> None:
        settings = self._settings
        try:
            connection = Connection(
                settings,
                self._counts.connections + 1,
                self._topics,
                self._former_topics,
                self._arrived,
                self._wall_ms,
                self._mono_s,
            )
            connection.open()
        except (
            OSError,
            ValueError,
        ) as error:  # ValueError: a certificate for another name, on older versions
            self._in_trouble(f"cannot connect: {error}")
            return
        self._counts.connections += 1
        self._connection = connection
        try:
            self._serve(connection)
        finally:
            connection.close()

    def _serve(self, connection: Connection) -> None:
        was_ready = False
        while connection.ended is None and not self._stopping.is_set():
            self._advance()
            self._send_acknowledgements(connection)
            connection.turn(self._inbox.has_room(), self._wake_receiver, TURN_S)
            if connection.fault is not None:
                raise connection.fault
            if connection.is_ready and not was_ready:
                was_ready = True
                self._on_session(SessionNews.RESUMED if connection.is_resumed else SessionNews.NEW)
                self._out_of_trouble(connection)
        self._send_acknowledgements(connection)
        if not self._stopping.is_set():
            self._short_lived += was_ready
            if self._short_lived == SUSPICIOUS:
                self._on_session(SessionNews.CONTESTED)
            self._in_trouble((connection.ended or "the connection ended") + self._suspicion())

    def _suspicion(self) -> str:
        """Two daemons of one name put each other out, and some brokers do not say why they end a connection."""
        if self._short_lived < SUSPICIOUS:
            return ""
        return f"; again and again: does another program use client_id {self._settings.client_id!r}?"

    def _send_acknowledgements(self, connection: Connection) -> None:
        while self._acks:
            if connection.acknowledge(self._acks.popleft()):
                self._counts.acknowledged += 1
            else:
                self._counts.stale += 1

    def _arrived(self, arrival: Arrival) -> None:
        self._counts.received += 1
        self._inbox.put(arrival)

    def _pause(self, seconds: float) -> None:
        until_mono_s = self._mono_s() + seconds
        while not self._stopping.is_set() and (left_s := until_mono_s - self._mono_s()) > 0.0:
            self._advance()
            self._stopping.wait(min(left_s, TURN_S))

    def _advance(self) -> None:
        self.last_advance_mono = self._mono_s()

    def _in_trouble(self, what: str) -> None:
        self._trouble = what
        now_mono_s = self._mono_s()
        if now_mono_s - self._trouble_logged_mono_s >= LOG_EVERY_S:
            self._trouble_logged_mono_s = now_mono_s
            self._is_trouble_told = True
            log.warning("broker trouble host=%s port=%d: %s", self._settings.host, self._settings.port, what)

    def _out_of_trouble(self, connection: Connection) -> None:
        word = "connected" if self._trouble is None else "recovered"
        self._trouble = None
        if self._is_trouble_told or self._counts.connections == 1:
            self._is_trouble_told = False
            state = "resumed" if connection.is_resumed else "new"
            log.info(
                "broker %s host=%s port=%d session=%s", word, self._settings.host, self._settings.port, state
            )

    def _wake(self) -> None:
        with contextlib.suppress(OSError):  # it is awake: the pipe is full of wake-ups; or it has ended
            self._wake_sender.send(b"w")
