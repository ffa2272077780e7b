"""An observation: a reading placed in a lot and corrected to gravity 20/20. What the watch is fed."""

from typing import NamedTuple


class Observation(NamedTuple):
    """One corrected statement about one lot at one instant.

    Attributes:
        at_ms: when it was observed, milliseconds since the epoch.
        sensor: the sensor's id; ``"hydrometer"`` for a check made by hand.
        vessel: the vessel the sensor was in.
        gravity: gravity 20/20, or None for a probe.
        gravity_sd: its standard error if the source states one, else None (the watch has a default).
        temperature_c: temperature of the must in °C, or None.
        said: what the float itself said (gravity as shown, or inclination), or None: a frozen float repeats that,
            while its gravity 20/20 goes on changing with the temperature it is corrected by.
    """

    at_ms: int
    sensor: str
    vessel: str
    gravity: float | None
    gravity_sd: float | None
    temperature_c: float | None
    said: float | None = None
