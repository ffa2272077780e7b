"""Event time in slots: readings of one quarter of an hour are merged without regard to their order.

Why slots: a reading that arrives a little out of order changes nothing as long as its slot is open; the filter, the
detectors and the forecast run once per closed slot, whatever the sensors' interval; and the delay they add to any
alert is bounded by the slot's length.
"""

from typing import Any

from mustwatch.watch.observation import Observation

SLOT_MS = 15 * 60_000
"""A quarter of an hour. A wine at 0.030 a day moves 0.0003 in it, a fifth of a float's noise; a dwell of half an
hour is two slots; ten minutes cost half as much time again per reading and an hour would triple alert delay."""


KEPT_PER_SLOT = 48
"""Most readings of one sensor kept in an open slot. A sensor that sends more often is thinned, evenly in time."""

_SCATTER = 0x9E3779B1


def slot_start_ms(at_ms: int) -> int:
    """Return the start of the slot an instant lies in; slots are aligned to the epoch."""
    return at_ms - at_ms % SLOT_MS


Shown = tuple[float, int, float]
"""A gravity 20/20, its instant, and what the float itself said."""


class SensorSlot:
    """What one sensor said in one slot: (gravity, instant, as the float said it) and (°C, instant), bounded."""

    __slots__ = ("gravity", "gravity_sd", "temperature", "vessel")

    def __init__(self, vessel: str) -> None:
        self.vessel = vessel
        self.gravity: list[Shown] = []
        self.temperature: list[tuple[float, int]] = []
        self.gravity_sd: float | None = None


class OpenSlot:
    """The slot being filled. Its content is a function of the set of observations, not of their order."""

    __slots__ = ("by_sensor", "end_ms", "last_ms", "start_ms")

    def __init__(self, start_ms: int) -> None:
        self.start_ms = start_ms
        self.end_ms = start_ms + SLOT_MS
        self.by_sensor: dict[str, SensorSlot] = {}
        self.last_ms = start_ms

    def take(self, obs: Observation) -> None:
        """Merge one observation whose instant lies in this slot. The same one twice counts once."""
        at_ms, sensor, vessel, gravity, gravity_sd, temperature_c, said = obs
        is_newest = at_ms > self.last_ms
        if is_newest:
            self.last_ms = at_ms
        part = self.by_sensor.get(sensor)
        if part is None:
            part = self.by_sensor[sensor] = SensorSlot(vessel)
        elif vessel > part.vessel:
            part.vessel = vessel
        if gravity is not None:
            shown = (gravity, at_ms, gravity if said is None else said)
            if is_newest or shown not in part.gravity:
                part.gravity.append(shown)
                if len(part.gravity) > KEPT_PER_SLOT:
                    _drop_one(part.gravity)
            if gravity_sd is not None and (part.gravity_sd is None or gravity_sd > part.gravity_sd):
                part.gravity_sd = gravity_sd
        if temperature_c is not None:
            felt = (temperature_c, at_ms)
            if is_newest or felt not in part.temperature:
                part.temperature.append(felt)
                if len(part.temperature) > KEPT_PER_SLOT:
                    _drop_one(part.temperature)


def _drop_one(values: list[Any]) -> None:
    """Drop the reading whose scattered instant is largest: the same one whatever the order of arrival."""
    del values[max(range(len(values)), key=lambda i: ((values[i][1] * _SCATTER) & 0xFFFFFFFF, values[i]))]
