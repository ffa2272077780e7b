"""A simulated cellar as JSON lines, in the form in which ``mosquitto_sub -F %j`` prints messages."""

import json
from collections.abc import Iterator
from datetime import datetime, tzinfo
from typing import Final

from mustsim.cellar import Message, SimulatedCellar

MOST_PACKETS: Final = 65_535
"""Packet identifiers are begun anew after this one. Source: MQTT 5.0 section 2.2.1."""


def json_lines(cellar: SimulatedCellar) -> Iterator[str]:
    """Yield one line per message, in the order sent: ``tst`` (when it was sent), ``topic``, ``payload``, and more

    ``tst`` is ISO 8601 with milliseconds and the scenario's offset. ``retain`` is 0, as for a subscriber who was
    there when the message was sent.
    """
    zone = cellar.scenario.begins.tzinfo
    for number, message in enumerate(cellar.messages):
        yield json_line(message, zone, number % MOST_PACKETS + 1)


def json_line(message: Message, zone: tzinfo | None, packet: int) -> str:
    """Return one message as such a line; ``packet`` is its identifier on the way to the subscriber."""
    return json.dumps(
        {
            "tst": iso(message.sent_ms, zone),
            "topic": message.topic,
            "qos": 1,
            "retain": 0,
            "mid": packet,
            "payloadlen": len(message.payload),
            "payload": message.payload.decode(),
        },
        separators=(",", ":"),
    )


def iso(at_ms: int, zone: tzinfo | None) -> str:
    """Return an instant as ISO 8601 with milliseconds and offset."""
    return datetime.fromtimestamp(at_ms / 1000.0, zone).isoformat(timespec="milliseconds")
