"""From a sensor to the broker: what is lost, late, sent twice, or held back by an outage and sent in a burst."""

from typing import Final

import numpy as np

from mustsim.density import FloatArray
from mustsim.sensors import Fault, FaultKind, Sensor

BURST_GAP_H: Final = 0.2 / 3600.0
"""Between two messages of a burst after an outage."""
WEAK_V: Final = 3.3
DEAD_V: Final = 3.05
"""Voltages between which a lithium cell's radio fails more and more. Own estimate."""


def deliveries(
    sensor: Sensor,
    hours: FloatArray,
    battery_v: FloatArray | None,
    faults: tuple[Fault, ...],
    rng: np.random.Generator,
) -> list[tuple[float, list[int]]]:
    """Return what reaches the broker: (hours since the begin, indices of the readings sent together).

    A sensor that speaks in bare numbers has no clock of its own, so it keeps nothing through an outage.
    """
    size = hours.size
    latency = rng.uniform(0.2, 2.0, size) / 3600.0
    latency += np.where(rng.random(size) < sensor.late, rng.uniform(1.0, 40.0, size) / 60.0, 0.0)
    alive = rng.random(size) >= sensor.drops
    if battery_v is not None:
        weakness = np.clip((WEAK_V - battery_v) / (WEAK_V - DEAD_V), 0.0, 1.0)
        alive &= rng.random(size) >= weakness
    twice = rng.random(size) < sensor.duplicates
    again = rng.uniform(1.0, 60.0, size) / 3600.0
    sent = hours + latency
    for fault in faults:
        begin, end = 24.0 * fault.from_day, 24.0 * fault.from_day + (fault.hours or np.inf)
        if fault.kind is FaultKind.DIES:
            alive &= ~((hours >= begin) & (hours < end))
        elif fault.kind is FaultKind.BATTERY:
            alive &= hours < end
        elif fault.kind is FaultKind.OUTAGE:
            cut = (sent >= begin) & (sent < end)
            if not fault.kept or sensor.form == "number":
                alive &= ~cut
            else:
                sent = np.where(cut, end + BURST_GAP_H * np.cumsum(cut), sent)
    kept = np.flatnonzero(alive).tolist()
    return _packed(sensor, kept, sent.tolist(), twice.tolist(), again.tolist())


def _packed(
    sensor: Sensor, kept: list[int], sent: list[float], twice: list[bool], again: list[float]
) -> list[tuple[float, list[int]]]:
    pack = max(1, sensor.pack) if sensor.form == "senml" else 1
    out: list[tuple[float, list[int]]] = []
    for start in range(0, len(kept), pack):
        indices = kept[start : start + pack]
        last = indices[-1]
        out.append((sent[last], indices))
        if twice[last]:
            out.append((sent[last] + again[last], indices))
    return out
