"""One connection to the broker, from CONNECT to its end. All of it runs in the source's thread.

A connection has its own library client, thrown away with it: no half-read packet, unsent acknowledgement or late
callback of one connection can reach the next.

Facts relied on, tried with paho-mqtt 2.2: ``manual_ack`` withholds the acknowledgement until ``ack``; without the
library's own thread, ``ack`` writes at once, in the caller's thread; an exception in a callback leaves through
``loop_read``, which is why the callbacks keep it for ``fault`` instead; a repeated message has its first packet
identifier again.
"""

import contextlib
import os
import select
import socket
import ssl
from collections.abc import Callable, Iterator, Mapping
from typing import Any, Final

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from mustwatch.ingest.arrival import AckToken, Arrival
from mustwatch.ingest.broker_settings import BrokerSettings
from mustwatch.ingest.decoders import MAX_PAYLOAD_BYTES

CONNECT_TIMEOUT_S: Final = 10.0
"""For the TCP and TLS handshakes, and again for the broker's answers to CONNECT and SUBSCRIBE."""
READS_PER_TURN: Final = 32
"""Packets read before acknowledgements and the keepalive get their turn."""
TOPICS_PER_PACKET: Final = 100
FAREWELL_S: Final = 2.0
"""For the last acknowledgements to be written, and again for the broker to have read them."""
_FAREWELL_READS: Final = 1_000
LARGEST_PACKET_BYTES: Final = 16 * 1024 * 1024
"""What we tell an MQTT 5 broker not to exceed. Far above what a decoder reads, so that a payload that is merely too
large arrives and is quarantined with a reason; what is beyond would only eat memory."""


class Connection:
    """One connection: ``open``, then ``turn`` again and again until ``ended`` says why it is over.

    Attributes:
        is_accepted: the broker has answered CONNECT and taken us.
        is_resumed: it still had our session.
        ended: why the connection is over, one line; None while it lives.
        fault: an exception of our own in a callback: a bug.
        refused_topics: what the broker will not let us subscribe to.
    """

    def __init__(
        self,
        settings: BrokerSettings,
        generation: int,
        topics: frozenset[str],
        former_topics: frozenset[str],
        on_arrival: Callable[[Arrival], None],
        wall_ms: Callable[[], int],
        mono_s: Callable[[], float],
    ) -> None:
        """Prepare the library's client; nothing is sent yet.

        Raises:
            OSError: the certificate authority's file cannot be read or is none.
        """
        self.is_accepted = False
        self.is_resumed = False
        self.ended: str | None = None
        self.fault: BaseException | None = None
        self.refused_topics: set[str] = set()
        self._settings = settings
        self._generation = generation
        self._topics = topics
        self._unwanted = set(former_topics)
        self._on_arrival = on_arrival
        self._wall_ms = wall_ms
        self._mono_s = mono_s
        self._opened_mono_s = mono_s()
        self._pending: dict[int | None, list[str]] = {}
        self._received = 0
        self._client = self._new_client()

    @property
    def is_ready(self) -> bool:
        """Return whether the broker has taken us and answered every subscription."""
        return self.is_accepted and not self._pending and self.ended is None

    def open(self) -> None:
        """Connect and send CONNECT.

        Raises:
            OSError: the broker cannot be reached, or its certificate is not to be trusted.
        """
        settings = self._settings
        options: dict[str, Any] = {}
        if settings.protocol == 5:
            properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            properties.SessionExpiryInterval = settings.session_expiry_s
            properties.ReceiveMaximum = settings.receive_maximum
            properties.MaximumPacketSize = LARGEST_PACKET_BYTES
            options = {"clean_start": False, "properties": properties}
        self._client.connect(settings.host, settings.port, settings.keepalive_s, **options)
        self._opened_mono_s = self._mono_s()

    def turn(self, may_read: bool, wake: socket.socket, timeout_s: float) -> None:
        """Wait for the network or a wake-up, then read, write, and keep the connection alive.

        Args:
            may_read: False while there is no room for more: the broker then waits.
            wake: becomes readable when there is something to do besides the network.
            timeout_s: the longest to wait.
        """
        sock = self._client.socket()
        if sock is None:
            self._end("the connection was lost")
            return
        if may_read and isinstance(sock, ssl.SSLSocket) and sock.pending():
            timeout_s = 0.0  # decrypted already: select would not see it
        broker, waker = sock.fileno(), wake.fileno()
        ready = _poll({broker: (may_read, self._client.want_write()), waker: (True, False)}, timeout_s)
        if ready[waker]:
            _drain(wake)
        if may_read and (ready[broker] & ~select.POLLOUT or timeout_s == 0.0):
            self._read()
        if ready[broker] & select.POLLOUT:
            self._client.loop_write()
        if may_read:
            # While we do not read we cannot see the answer to a ping, and must not hold its absence against the broker.
            self._client.loop_misc()
        if not self.is_ready and self._mono_s() - self._opened_mono_s > CONNECT_TIMEOUT_S:
            self._end(
                f"no answer to CONNECT and SUBSCRIBE within {CONNECT_TIMEOUT_S:g} s; is it an MQTT broker?"
            )

    def acknowledge(self, token: AckToken) -> bool:
        """Acknowledge a message, and return True; or False if it came on another connection, or this one is over."""
        if token.generation != self._generation or self.ended is not None:
            return False
        return self._client.ack(token.packet_id, 1) == MQTTErrorCode.MQTT_ERR_SUCCESS

    def close(self) -> None:
        """Take leave of the broker, which keeps the session, and wait until it has heard everything.

        The library closes its socket right behind the DISCONNECT, and then the last acknowledgements can be lost:
        the other side drops what it has not read yet once the connection is reset. A second handle keeps it open.
        """
        sock = self._client.socket()
        if sock is not None:
            with socket.socket(fileno=os.dup(sock.fileno())) as held:
                self._client.disconnect()
                self._write_out(FAREWELL_S)
                _wait_for_end(held, FAREWELL_S)
        self._end("closed")

    def _write_out(self, timeout_s: float) -> None:
        deadline_mono_s = self._mono_s() + timeout_s
        while self._client.want_write() and self._mono_s() < deadline_mono_s:
            sock = self._client.socket()
            if sock is None:
                return
            _poll({sock.fileno(): (False, True)}, 0.1)
            self._client.loop_write()

    def _new_client(self) -> Client:
        settings = self._settings
        is_5 = settings.protocol == 5
        client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=settings.client_id,
            clean_session=None if is_5 else False,
            protocol=MQTTProtocolVersion.MQTTv5 if is_5 else MQTTProtocolVersion.MQTTv311,
            reconnect_on_failure=False,  # else a refused 3.1.1 connection silently goes on as 3.1
            manual_ack=True,
        )
        client.connect_timeout = CONNECT_TIMEOUT_S
        if settings.username is not None:
            client.username_pw_set(settings.username, settings.password)
        if settings.tls:
            client.tls_set(ca_certs=str(settings.ca_file) if settings.ca_file is not None else None)
        client.on_connect = self._connected
        client.on_disconnect = self._disconnected
        client.on_subscribe = self._subscribed
        client.on_message = self._message
        return client

    def _read(self) -> None:
        for _ in range(READS_PER_TURN):
            before = self._received
            try:
                rc = self._client.loop_read()
            except Exception as error:  # noqa: BLE001 - whatever the library makes of a malformed packet
                self._end(f"the broker sent what is not MQTT ({type(error).__name__}: {error})")
                return
            if rc != MQTTErrorCode.MQTT_ERR_SUCCESS:
                self._end(f"the connection was lost ({_said(rc)})")
            if self._received == before or self.ended is not None:
                return

    def _connected(
        self,
        client: Client,
        userdata: Any,
        flags: ConnectFlags,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        try:
            if reason.is_failure:
                self._end(f"the broker refuses us: {reason}; check username, password and client_id")
                return
            self.is_accepted = True
            self.is_resumed = flags.session_present
            for topics in _chunks(self._topics):
                _, packet_id = client.subscribe(
                    [(t, SubscribeOptions(qos=1)) for t in topics]
                    if self._settings.protocol == 5
                    else [(t, 1) for t in topics]
                )
                self._pending[packet_id] = topics
            for topics in _chunks(self._unwanted):
                client.unsubscribe(topics)
        except Exception as fault:  # noqa: BLE001 - kept, and raised outside of the library
            self.fault = fault

    def _disconnected(
        self,
        client: Client,
        userdata: Any,
        flags: DisconnectFlags,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        whose = (
            "the broker ended the connection"
            if flags.is_disconnect_packet_from_server
            else "the connection ended"
        )
        self._end(f"{whose}: {reason}")

    def _subscribed(
        self,
        client: Client,
        userdata: Any,
        packet_id: int,
        reasons: list[ReasonCode],
        properties: Properties | None,
    ) -> None:
        topics = self._pending.pop(packet_id, [])
        self.refused_topics.update(t for t, reason in zip(topics, reasons, strict=False) if reason.is_failure)

    def _message(self, client: Client, userdata: Any, message: MQTTMessage) -> None:
        self._received += 1
        try:
            self._on_arrival(self._arrival(message))
            if message.topic not in self._topics and message.topic not in self._unwanted:
                # The session still holds a subscription of an earlier configuration.
                self._unwanted.add(message.topic)
                client.unsubscribe(message.topic)
        except Exception as fault:  # noqa: BLE001 - kept, and raised outside of the library
            self.fault = fault

    def _arrival(self, message: MQTTMessage) -> Arrival:
        payload = message.payload
        return Arrival(
            topic=message.topic,
            payload=bytes(payload[: MAX_PAYLOAD_BYTES + 1]),
            received_ms=self._wall_ms(),
            received_mono_s=self._mono_s(),
            is_retained=message.retain,
            is_duplicate=message.dup,
            payload_bytes=len(payload),
            token=AckToken(self._generation, message.mid, self.is_resumed) if message.qos else None,
        )

    def _end(self, why: str) -> None:
        if self.ended is None:
            self.ended = why


def _chunks(topics: frozenset[str] | set[str]) -> Iterator[list[str]]:
    ordered = sorted(topics)
    return (ordered[i : i + TOPICS_PER_PACKET] for i in range(0, len(ordered), TOPICS_PER_PACKET))


def _wait_for_end(held: socket.socket, timeout_s: float) -> None:
    """Read away what still comes until the other side closes; it does so when it has read our DISCONNECT."""
    held.settimeout(timeout_s)
    with contextlib.suppress(OSError):
        held.shutdown(socket.SHUT_WR)
        for _ in range(_FAREWELL_READS):
            if not held.recv(65_536):
                return


def _poll(wanted: Mapping[int, tuple[bool, bool]], timeout_s: float) -> dict[int, int]:
    """Wait for descriptors that are wanted to read or to write; return each one's events, 0 for none.

    Not ``select``, which knows no descriptor above 1,023.
    """
    poll = select.poll()
    for descriptor, (to_read, to_write) in wanted.items():
        events = select.POLLIN * to_read | select.POLLOUT * to_write
        if events:
            poll.register(descriptor, events)
    return dict.fromkeys(wanted, 0) | dict(poll.poll(timeout_s * 1000))


def _drain(wake: socket.socket) -> None:
    with contextlib.suppress(BlockingIOError):
        while wake.recv(4096):
            pass


def _said(rc: MQTTErrorCode) -> str:
    return rc.name.removeprefix("MQTT_ERR_").lower().replace("_", " ")
