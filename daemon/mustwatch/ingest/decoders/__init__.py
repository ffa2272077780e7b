"""Payload decoders. To add one: write ``compile_NAME(sensor) -> Decode`` in its own module and enter it here.

The contract suite (tests/contract/test_decoder_contract.py) takes up every decoder in the registry by itself.
"""

from collections.abc import Callable, Mapping
from typing import Final

from mustwatch.cellar.sensor import Sensor
from mustwatch.ingest.decoders.json_map import compile_json_map
from mustwatch.ingest.decoders.number import compile_number
from mustwatch.ingest.decoders.outcome import (
    MAX_PAYLOAD_BYTES,
    Decode,
    Outcome,
    PartlyRejected,
    Rejected,
    RejectReason,
    UnfitSensorError,
)
from mustwatch.ingest.decoders.senml import compile_senml

__all__ = [
    "DECODERS",
    "MAX_PAYLOAD_BYTES",
    "Decode",
    "Outcome",
    "PartlyRejected",
    "RejectReason",
    "Rejected",
    "UnfitSensorError",
    "decoder_for",
]

DECODERS: Final[Mapping[str, Callable[[Sensor], Decode]]] = {
    "senml": compile_senml,
    "json": compile_json_map,
    "number": compile_number,
}


def decoder_for(sensor: Sensor) -> Decode:
    """Return the decoder of a sensor, everything about it that is fixed worked out once.

    Raises:
        UnfitSensorError: there is no such decoder, or the sensor's fields do not fit it.
    """
    try:
        compile_decoder = DECODERS[sensor.decoder]
    except KeyError:
        known = ", ".join(DECODERS)
        raise UnfitSensorError(
            f"sensor {sensor.id}: decoder {sensor.decoder!r} is unknown; expected one of {known}"
        ) from None
    return compile_decoder(sensor)
