"""Publishing a simulated cellar to a real broker: MQTT 5, acknowledged, with a bounded number in flight."""

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.reasoncodes import ReasonCode

from mustsim.cellar import Message, SimulatedCellar

CONNECT_TIMEOUT_S: Final = 10.0
ACKNOWLEDGE_TIMEOUT_S: Final = 60.0
"""How long the broker may go without acknowledging anything before it counts as gone."""
IN_FLIGHT: Final = 200
"""Messages sent and not yet acknowledged; what a broker takes without queueing is usually a few hundred."""
KEEPALIVE_S: Final = 60

Progress = Callable[[int, int], None]


class PublishError(Exception):
    """The broker could not be reached, refused, or went away; the message says which and what to do."""


@dataclass(frozen=True, slots=True)
class Broker:
    """Where to publish. ``qos`` 0 or 1."""

    host: str = "127.0.0.1"
    port: int = 1883
    username: str | None = None
    password: str | None = None
    client_id: str = "mustsim"
    qos: int = 1


class Publisher:
    """A connection to a broker that counts acknowledgements. A context manager."""

    def __init__(self, broker: Broker, in_flight: int = IN_FLIGHT) -> None:
        """Prepare; nothing is sent before the ``with``."""
        self.broker = broker
        self._room = threading.BoundedSemaphore(in_flight)
        self._in_flight = in_flight
        self._answered = threading.Event()
        self._refusal: str | None = None
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id=broker.client_id, protocol=mqtt.MQTTv5
        )
        self._client.max_inflight_messages_set(in_flight)
        self._client.on_connect = self._on_connect
        self._client.on_publish = self._on_publish
        if broker.username is not None:
            self._client.username_pw_set(broker.username, broker.password)

    def __enter__(self) -> "Publisher":
        """Connect.

        Raises:
            PublishError: no broker there, or it refuses.
        """
        where = f"broker {self.broker.host}:{self.broker.port}"
        try:
            self._client.connect(self.broker.host, self.broker.port, KEEPALIVE_S)
        except (OSError, ValueError) as error:
            raise PublishError(
                f"{where}: cannot connect: {error}; is it running, and host and port right?"
            ) from error
        self._client.loop_start()
        if not self._answered.wait(CONNECT_TIMEOUT_S):
            self._close()
            raise PublishError(
                f"{where}: no answer within {CONNECT_TIMEOUT_S:.0f} s; is it an MQTT 5 broker?"
            )
        if self._refusal is not None:
            self._close()
            raise PublishError(f"{where}: refused: {self._refusal}; check --username and --password")
        return self

    def __exit__(self, *_: object) -> None:
        """Disconnect."""
        self._close()

    def send(self, message: Message) -> None:
        """Send one message, waiting while too many are unacknowledged.

        Raises:
            PublishError: nothing was acknowledged for a minute.
        """
        self._take_room()
        self._client.publish(message.topic, message.payload, self.broker.qos, message.retained)

    def finish(self) -> None:
        """Wait until everything sent is acknowledged.

        Raises:
            PublishError: nothing was acknowledged for a minute.
        """
        for _ in range(self._in_flight):
            self._take_room()
        for _ in range(self._in_flight):
            self._room.release()

    def _take_room(self) -> None:
        if not self._room.acquire(timeout=ACKNOWLEDGE_TIMEOUT_S):
            raise PublishError(
                f"broker {self.broker.host}:{self.broker.port}: acknowledged nothing for "
                f"{ACKNOWLEDGE_TIMEOUT_S:.0f} s; is it still there, and has it room for more?"
            )

    def _close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def _on_connect(
        self, _client: Any, _data: Any, _flags: Any, reason: ReasonCode, _properties: Any
    ) -> None:
        if reason.is_failure:
            self._refusal = str(reason)
            self._client.disconnect()
        self._answered.set()

    def _on_publish(self, *_: Any) -> None:
        self._room.release()


def publish(
    cellar: SimulatedCellar,
    broker: Broker,
    speed: float | None = None,
    progress: Progress | None = None,
    wait: Callable[[float], object] = time.sleep,
    clock: Callable[[], float] = time.monotonic,
) -> int:
    """Publish every message and return how many; when it returns, the broker has acknowledged all of them.

    Args:
        cellar: what to publish. broker: where.
        speed: simulated seconds per second; None: as fast as the broker takes them.
        progress: told how many of how many are sent. wait, clock: for tests.

    Raises:
        PublishError: the broker is not there, refuses, or goes away.
    """
    total = len(cellar.messages)
    with Publisher(broker) as publisher:
        began = clock()
        for count, message in enumerate(cellar.messages, start=1):
            if speed is not None:
                due = (message.sent_ms - cellar.begins_ms) / 1000.0 / speed
                ahead = due - (clock() - began)
                if ahead > 0.0:
                    wait(ahead)
            publisher.send(message)
            if progress is not None:
                progress(count, total)
        publisher.finish()
    return total
