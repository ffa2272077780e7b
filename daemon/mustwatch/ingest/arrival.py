"""An arrival: one MQTT message as it came, held until its reading is on disk and it may be acknowledged."""

from typing import NamedTuple


class AckToken(NamedTuple):
    """What the broker is told to release. Opaque to everybody but the source it came from.

    Attributes:
        generation: the connection it came on, counted from 1 since the daemon's start. A packet identifier
            means nothing on another connection.
        packet_id: the packet identifier, by which the broker knows the message across reconnects.
        resumed: False if the broker began a new session with this connection: it has forgotten everything.
    """

    generation: int
    packet_id: int
    resumed: bool


class Arrival(NamedTuple):
    """One message.

    Attributes:
        topic: where it was published.
        payload: its bytes, cut one byte beyond the longest a decoder reads; ``payload_bytes``: how many they were.
        received_ms: when it came, by the wall clock; ``received_mono_s``: by the monotonic clock.
        is_retained: the broker's last-known value, sent because we subscribed: not news in itself.
        is_duplicate: the broker says it has sent it before (the DUP flag).
        token: for its acknowledgement; None if it needs none (QoS 0, or replayed from a file).
    """

    topic: str
    payload: bytes
    received_ms: int
    received_mono_s: float = 0.0
    is_retained: bool = False
    is_duplicate: bool = False
    payload_bytes: int = 0
    token: AckToken | None = None
