"""Listening to the broker for a while, beside a running daemon: a visitor with a session of its own, gone with it."""

import secrets
import socket
import ssl
import time
from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from mustwatch.ingest.broker_settings import BrokerSettings

ANSWER_S = 8.0
"""How long the broker may take for each of its answers."""
TURN_S = 0.2


class Heard(NamedTuple):
    """One message: its topic, payload, and whether it is an old one that the broker keeps."""

    topic: str
    payload: bytes
    is_retained: bool


class Visit(NamedTuple):
    """How a visit went.

    Attributes:
        trouble: why nothing could be heard, one line, or None.
        refused: topics that the broker does not let us have.
    """

    trouble: str | None
    refused: tuple[str, ...] = ()


class _Ended(Exception):  # noqa: N818 - how a visit ends, not always a fault
    pass


class _Visitor:
    """One connection, whose callbacks note what the broker said."""

    def __init__(self, settings: BrokerSettings, heard: Callable[[Heard], None]) -> None:
        self._settings = settings
        self._is_5 = settings.protocol == 5
        self._connected: Any = None
        self._granted: list[Any] = []
        self._heard = heard
        self._client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"{settings.client_id[:40]}-visit-{secrets.token_hex(4)}",
            clean_session=None if self._is_5 else True,
            protocol=MQTTProtocolVersion.MQTTv5 if self._is_5 else MQTTProtocolVersion.MQTTv311,
            reconnect_on_failure=False,
        )
        self._client.connect_timeout = ANSWER_S
        if settings.username is not None:
            self._client.username_pw_set(settings.username, settings.password)
        if settings.tls:
            self._client.tls_set(ca_certs=str(settings.ca_file) if settings.ca_file is not None else None)
        self._client.on_connect = self._on_connect
        self._client.on_subscribe = self._on_subscribe
        self._client.on_message = self._on_message

    def _on_connect(self, client: Client, userdata: Any, flags: Any, reason: Any, properties: Any) -> None:
        self._connected = reason

    def _on_subscribe(
        self, client: Client, userdata: Any, packet_id: int, reasons: list[Any], properties: Any
    ) -> None:
        self._granted.extend(reasons)

    def _on_message(self, client: Client, userdata: Any, message: MQTTMessage) -> None:
        self._heard(Heard(message.topic, bytes(message.payload), bool(message.retain)))

    def connect(self) -> None:
        options: dict[str, Any] = {"clean_start": True} if self._is_5 else {}
        self._client.connect(self._settings.host, self._settings.port, 60, **options)
        self._turn_until(lambda: self._connected is not None, "no answer to CONNECT; is it an MQTT broker?")
        if self._connected.is_failure:
            raise _Ended(f"it refuses us: {self._connected}; check mqtt.username and the password")

    def subscribe(self, topics: Sequence[str]) -> tuple[str, ...]:
        """Subscribe, and return the topics that were refused."""
        for topic in topics:
            self._client.subscribe(topic, qos=0)
        self._turn_until(lambda: len(self._granted) >= len(topics), "no answer to SUBSCRIBE")
        return tuple(t for t, reason in zip(topics, self._granted, strict=False) if reason.is_failure)

    def _turn_until(self, holds: Callable[[], bool], otherwise: str) -> None:
        ends = time.monotonic() + ANSWER_S
        while not holds():
            if time.monotonic() > ends:
                raise _Ended(otherwise)
            self._turn()

    def _turn(self) -> None:
        if self._client.loop(TURN_S) != 0 and not (
            self._connected is not None and self._connected.is_failure
        ):
            raise _Ended("it ended the connection")

    def listen(self, seconds: float | None) -> None:
        ends = None if seconds is None else time.monotonic() + seconds
        while ends is None or time.monotonic() < ends:
            self._turn()

    def leave(self) -> None:
        self._client.disconnect()


def visit(
    settings: BrokerSettings,
    topics: Sequence[str],
    seconds: float | None,
    heard: Callable[[Heard], None] = lambda _: None,
) -> Visit:
    """Listen on the broker for a while, or until interrupted.

    Args:
        settings: where the broker is and who we are; the fixed client id is left to the daemon.
        topics: to listen to, wildcards allowed.
        seconds: for how long; 0: only to see whether it could be; None: until interrupted (KeyboardInterrupt passes).
        heard: called with each message.

    Returns:
        How it went. A broker that cannot be reached is an answer, not an exception.
    """
    where = f"{settings.host}:{settings.port}"
    try:
        visitor = _Visitor(settings, heard)
        visitor.connect()
        try:
            refused = visitor.subscribe(topics) if topics else ()
            if seconds != 0:
                visitor.listen(seconds)
            return Visit(None, refused)
        finally:
            visitor.leave()
    except _Ended as ended:
        return Visit(f"broker {where}: {ended}")
    except socket.gaierror:
        return Visit(f"broker {where}: the name is not known; check mqtt.host")
    except ssl.SSLError as error:
        reason = (
            "its certificate is not trusted; check mqtt.ca_file"
            if "CERTIFICATE" in str(error)
            else error.reason
        )
        return Visit(f"broker {where}: {reason}")
    except ConnectionRefusedError:
        return Visit(f"broker {where}: nobody listens there; is it running? (systemctl status mosquitto)")
    except TimeoutError:
        return Visit(f"broker {where}: no answer; check mqtt.host, and that it is in the same network")
    except OSError as error:
        return Visit(f"broker {where}: {error.strerror or error}")
