"""The first step of a reading's way: from an arrival to readings, to the quarantine, or to nothing."""

import logging
from collections.abc import Iterable
from enum import StrEnum
from typing import Final, NamedTuple

from mustwatch.cellar.reading import Reading, Stamp
from mustwatch.cellar.sensor import Sensor
from mustwatch.ingest.arrival import Arrival
from mustwatch.ingest.clock import ClockState
from mustwatch.ingest.decoders import (
    MAX_PAYLOAD_BYTES,
    Decode,
    Outcome,
    PartlyRejected,
    Rejected,
    RejectReason,
    UnfitSensorError,
    decoder_for,
)
from mustwatch.ingest.redelivery import RedeliveryLedger, digest

log = logging.getLogger(__name__)

PAYLOAD_HEAD_BYTES: Final = 512
"""How much of an unreadable payload is kept: enough to see what it was, bounded so that nobody can fill the card."""

CROWD_MS: Final = 60_000
"""Readings of one sensor stamped on arrival are kept apart by a millisecond where they would share one, since a
sensor's instant is the store's key. Within a minute: an earlier stamp comes from a clock that was set back."""


_new: Final = tuple.__new__
"""Makes a named tuple of values known to be of the right number, at a third of its own maker's cost."""


class Decoded(NamedTuple):
    """An arrival that was read. ``quarantined``: the part of a pack that was not, if any."""

    readings: list[Reading]
    quarantined: "Quarantined | None" = None


class Quarantined(NamedTuple):
    """An arrival that could not be read, as the quarantine keeps it; ``payload_bytes`` is its whole length."""

    topic: str
    payload_head: bytes
    payload_bytes: int
    reason: RejectReason
    detail: str
    received_ms: int


class IgnoreReason(StrEnum):
    """Why an arrival was neither stored nor quarantined."""

    RETAINED = "retained"
    """A last-known value without a time of its own: no new reading."""
    REPEATED = "repeated"
    """The broker sent again what is already stored."""


class Ignored(NamedTuple):
    """An arrival that says nothing new; it is acknowledged and counted."""

    reason: IgnoreReason


Taken = Decoded | Quarantined | Ignored


class Intake:
    """Reads arrivals by the topic they came on. No I/O; its only state is what tells repeated messages apart.

    The ledger's changes belong in the transaction that stores the readings; see ``RedeliveryLedger``.
    """

    def __init__(self, sensors: Iterable[Sensor], ledger: RedeliveryLedger | None = None) -> None:
        """Compile every sensor's decoder.

        Raises:
            UnfitSensorError: two sensors claim one topic, or a sensor's decoder, fields or topic cannot be.
        """
        self.ledger = ledger if ledger is not None else RedeliveryLedger()
        self._decoders: dict[str, Decode] = {}
        self._last_stamp_ms: dict[str, int] = {}
        self._refused_retained: dict[str, bytes] = {}
        claimed: dict[str, str] = {}
        for sensor in sensors:
            decode = decoder_for(sensor)
            for topic in sensor.topics or (sensor.topic,):
                if not topic:
                    raise UnfitSensorError(f"sensor {sensor.id}: no topic; expected the one it publishes on")
                other = claimed.setdefault(topic, sensor.id)
                if other != sensor.id:
                    raise UnfitSensorError(
                        f"one sensor per topic: {topic!r} is claimed by {other} and by {sensor.id}"
                    )
                self._decoders[topic] = decode

    @property
    def topics(self) -> tuple[str, ...]:
        """Return the topics to subscribe to."""
        return tuple(self._decoders)

    def take(self, arrival: Arrival, clock: ClockState = ClockState.SURE) -> Taken:
        """Return what an arrival amounts to. Never raises, and every answer is one to acknowledge.

        Args:
            arrival: the message; its ``received_ms`` as put right by the clock watch.
            clock: what the clock watch says of it; readings stamped on arrival are marked if it is not sure.
        """
        if arrival.token is not None and self.ledger.is_repeated(arrival):
            return Ignored(IgnoreReason.REPEATED)
        outcome = self._decoded(arrival, clock is not ClockState.BEHIND)
        if type(outcome) is list and len(outcome) == 1 and outcome[0][8] is Stamp.SENSOR:
            # The ordinary case: one reading with a time of its own, retained or not.
            return _new(Decoded, (outcome, None))
        if isinstance(outcome, Rejected):
            return self._quarantined(arrival, outcome) or Ignored(IgnoreReason.RETAINED)
        readings, rejected = outcome if isinstance(outcome, PartlyRejected) else (outcome, None)
        if arrival.is_retained:
            readings = [reading for reading in readings if reading.stamp is Stamp.SENSOR]
        elif any(reading.stamp is not Stamp.SENSOR for reading in readings):
            self.ledger.remember(arrival)
            readings = [self._stamped(reading, clock) for reading in readings]
        quarantined = None if rejected is None else self._quarantined(arrival, rejected)
        if readings:
            return Decoded(readings, quarantined)
        return quarantined or Ignored(IgnoreReason.RETAINED)

    def _decoded(self, arrival: Arrival, clock_can_judge: bool) -> Outcome:
        if arrival.payload_bytes > MAX_PAYLOAD_BYTES:
            return Rejected(
                RejectReason.TOO_LARGE,
                f"a payload of {arrival.payload_bytes} bytes; expected at most {MAX_PAYLOAD_BYTES}",
            )
        decode = self._decoders.get(arrival.topic)
        if decode is None:
            return Rejected(
                RejectReason.UNKNOWN_TOPIC, "no sensor has this topic; add a [[sensor]] that has it"
            )
        try:
            return decode(arrival.payload, arrival.topic, arrival.received_ms, clock_can_judge)
        except Exception as fault:
            # A bug, but raising would stop every sensor for one payload that the broker then repeats for ever.
            log.exception("a decoder failed; its payload is quarantined topic=%r", arrival.topic)
            return Rejected(RejectReason.DECODER_FAULT, f"the decoder failed: {type(fault).__name__}")

    def _quarantined(self, arrival: Arrival, rejected: Rejected) -> Quarantined | None:
        if arrival.is_retained:
            # The broker hands a retained message out anew at every reconnect: once is enough.
            said = digest(arrival)
            if self._refused_retained.get(arrival.topic) == said:
                return None
            self._refused_retained[arrival.topic] = said
        else:
            self.ledger.remember(arrival)
        return Quarantined(
            topic=arrival.topic,
            payload_head=arrival.payload[:PAYLOAD_HEAD_BYTES],
            payload_bytes=max(arrival.payload_bytes, len(arrival.payload)),
            reason=rejected.reason,
            detail=rejected.detail,
            received_ms=arrival.received_ms,
        )

    def _stamped(self, reading: Reading, clock: ClockState) -> Reading:
        if reading.stamp is Stamp.SENSOR:
            return reading
        observed_ms = reading.observed_ms
        if observed_ms == reading.received_ms:
            last_ms = self._last_stamp_ms.get(reading.sensor)
            if last_ms is not None and last_ms - CROWD_MS < observed_ms <= last_ms:
                observed_ms = last_ms + 1
            self._last_stamp_ms[reading.sensor] = observed_ms
        stamp = Stamp.ARRIVAL if clock is ClockState.SURE else Stamp.ARRIVAL_UNSURE
        return reading._replace(observed_ms=observed_ms, stamp=stamp)
