"""The ``number`` decoder: one plain number per message, one quantity per topic, stamped on arrival."""

from mustwatch.cellar.reading import Reading, Stamp
from mustwatch.cellar.sensor import Quantity, Sensor
from mustwatch.ingest.decoders.json_text import text_of
from mustwatch.ingest.decoders.outcome import (
    Decode,
    Outcome,
    Refusal,
    Rejected,
    RejectReason,
    UnfitSensorError,
    shown,
)
from mustwatch.ingest.decoders.units import EMPTY, number_from_text, read, scale_for


def compile_number(sensor: Sensor) -> Decode:
    """Return the decoder of a sensor that sends bare numbers, by its topics.

    Raises:
        UnfitSensorError: it has no topics, or one with a unit that cannot be.
    """
    sensor_id = sensor.id
    if not sensor.topics:
        raise UnfitSensorError(f"sensor {sensor.id}: no topics; expected one for each quantity")
    if any(field.quantity is Quantity.TIME for field in sensor.topics.values()):
        raise UnfitSensorError(
            f"sensor {sensor.id}: a time has no place among bare numbers; they are stamped on arrival"
        )
    scales = {topic: scale_for(field.quantity, field.unit) for topic, field in sensor.topics.items()}

    def decode(payload: bytes, topic: str, received_ms: int, clock_can_judge: bool = True, /) -> Outcome:
        scale = scales.get(topic)
        if scale is None:
            return Rejected(RejectReason.UNKNOWN_TOPIC, f"topic {shown(topic)} is none of sensor {sensor_id}")
        try:
            values = list(EMPTY)
            values[scale.position] = read(scale, number_from_text(scale.name, text_of(payload)))
        except Refusal as refusal:
            return refusal.rejected
        return [Reading._make((sensor_id, received_ms, received_ms, *values, Stamp.ARRIVAL))]

    return decode
