"""What a decoder answers: readings, or a refusal with its reason. It never raises on any bytes."""

from enum import StrEnum
from typing import NamedTuple, Protocol

from mustwatch.cellar.reading import Reading

MAX_PAYLOAD_BYTES = 64 * 1024
"""A payload longer than this is refused before it is parsed. A day of readings every ten minutes as one SenML pack
is about 20 kB; nothing a float or probe says at once is longer."""


class RejectReason(StrEnum):
    """Why a payload could not be read. The values are stored with the quarantined bytes and counted."""

    TOO_LARGE = "too-large"
    NOT_UTF8 = "not-utf8"
    NOT_JSON = "not-json"
    TOO_DEEP = "too-deep"
    WRONG_SHAPE = "wrong-shape"
    NOT_A_NUMBER = "not-a-number"
    NOT_FINITE = "not-finite"
    WRONG_UNIT = "wrong-unit"
    OUT_OF_RANGE = "out-of-range"
    BAD_TIME = "bad-time"
    TIME_IN_FUTURE = "time-in-future"
    TIME_TOO_OLD = "time-too-old"
    NOT_UNDERSTOOD = "not-understood"
    NOTHING_KNOWN = "nothing-known"
    UNKNOWN_TOPIC = "unknown-topic"
    DECODER_FAULT = "decoder-fault"


class Rejected(NamedTuple):
    """A payload that could not be read; ``detail`` is one line: what was wrong, where, what was expected."""

    reason: RejectReason
    detail: str


class PartlyRejected(NamedTuple):
    """A pack of several readings of which some could not be read: one spike must not cost a night."""

    readings: list[Reading]
    rejected: Rejected


Outcome = list[Reading] | PartlyRejected | Rejected


class Decode(Protocol):
    """A decoder made for one sensor."""

    def __call__(
        self, payload: bytes, topic: str, received_ms: int, clock_can_judge: bool = True, /
    ) -> Outcome:
        """Return the readings in a payload (at least one), or why it could not be read. Never raises.

        Args:
            payload: the message's bytes, any at all.
            topic: the topic it came on (the ``number`` decoder tells quantities apart by it).
            received_ms: when it came, by the daemon's clock; it stamps readings without a time of their own.
            clock_can_judge: False while that clock is known to be wrong: then a time ahead of it is believed.
        """


class UnfitSensorError(ValueError):
    """A sensor is described so that none of its payloads could be read; says what was expected."""


class Refusal(Exception):  # noqa: N818 - an answer, not a fault
    """Inside a decoder: ends the reading of a payload, or of one instant of a pack. Never leaves the package."""

    def __init__(self, reason: RejectReason, detail: str) -> None:
        """Keep the reason and the one-line detail."""
        super().__init__(detail)
        self.rejected = Rejected(reason, detail)


def shown(value: object) -> str:
    """Return a payload's value for a detail, bounded: a hostile payload must not fill the quarantine."""
    if isinstance(value, int | float | bool | None):
        text = (
            repr(value)
            if not isinstance(value, int) or value.bit_length() < 200
            else "an integer of many digits"
        )
    elif isinstance(value, str):
        text = repr(value[:40]) + ("…" if len(value) > 40 else "")
    else:
        text = "an object" if isinstance(value, dict) else "a list" if isinstance(value, list) else "a value"
    return text
