"""Floats that do not give up: what a broker has not confirmed, and what it may have forgotten, is sent again."""

import socket
import threading
import time
from collections.abc import Sequence

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from shed import Published


class Publisher:
    """Publishes messages in their order, at a pace, through any trouble, from a thread of its own."""

    def __init__(
        self, port: int, *, host: str = "127.0.0.1", unix: str | None = None, pause_s: float = 0.002
    ) -> None:
        """Name the broker: by host and port, or by a socket's path that no network lies before."""
        self._host, self._port, self._unix = host, port, unix
        self._pause_s = pause_s
        self._wanted: list[Published] = []
        self._sent = 0
        self._client: paho.Client | None = None
        self._changed = threading.Condition()
        self._stop = False
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def send(self, messages: Sequence[Published]) -> None:
        """Publish these after what waits already."""
        with self._changed:
            self._wanted.extend(messages)
            self._changed.notify()

    def again_from(self, position: int) -> None:
        """Send again from a message on: the broker may have forgotten it."""
        with self._changed:
            self._sent = min(self._sent, position)
            self._changed.notify()

    @property
    def confirmed(self) -> int:
        """Return how many messages the broker has confirmed, in order."""
        return self._sent

    def flush(self, within_s: float = 60.0) -> None:
        """Wait until everything is confirmed."""
        ends = time.monotonic() + within_s
        while self._sent < len(self._wanted):
            assert time.monotonic() < ends, f"the broker confirmed {self._sent} of {len(self._wanted)}"
            time.sleep(0.01)

    def close(self) -> None:
        """Stop."""
        with self._changed:
            self._stop = True
            self._changed.notify()
        self._thread.join(10)

    def _run(self) -> None:
        while not self._stop:
            with self._changed:
                if self._sent >= len(self._wanted):
                    self._changed.wait(0.2)
                    continue
                position = self._sent
                message = self._wanted[position]
            if self._publish(message):
                with self._changed:
                    if self._sent == position:  # else somebody wound it back meanwhile
                        self._sent += 1
                time.sleep(self._pause_s)
            else:
                time.sleep(0.05)

    def _publish(self, message: Published) -> bool:
        try:
            client = self._connected()
            sent = client.publish(message.topic, message.payload, qos=1)
            sent.wait_for_publish(3.0)
            if sent.is_published():
                return True
        except (OSError, ValueError, RuntimeError):
            pass
        self._drop()
        return False

    def _connected(self) -> paho.Client:
        if self._client is None or not self._client.is_connected():
            self._drop()
            client = paho.Client(CallbackAPIVersion.VERSION2, transport="unix" if self._unix else "tcp")
            client.connect_timeout = 2.0
            connected = threading.Event()
            client.on_connect = lambda *_: connected.set()
            client.connect(self._unix or self._host, self._port)
            client.loop_start()
            self._client = client
            if not connected.wait(2.0):
                raise OSError("no answer to CONNECT")
        return self._client

    def _drop(self) -> None:
        if self._client is not None:
            client, self._client = self._client, None
            sock = client.socket()
            if isinstance(sock, socket.socket):
                sock.close()
            client.loop_stop()
