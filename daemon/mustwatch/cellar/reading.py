"""A reading: what one sensor said at one instant, as it said it."""

from enum import IntEnum
from typing import NamedTuple

# What a wine or its sensor can physically show; anything outside is a fault of the sensor or of its decoding.
# Gravity: dry wine of 16 % vol is about 0.980, the sweetest must about 1.19 (45 °Bx 1.20). Common practice.
GRAVITY_RANGE = (0.95, 1.20)
TEMPERATURE_RANGE_C = (-20.0, 60.0)
INCLINATION_RANGE_DEG = (-180.0, 180.0)
BATTERY_RANGE_V = (0.0, 48.0)
SIGNAL_RANGE_DBM = (-200.0, 50.0)


class Stamp(IntEnum):
    """Where a reading's ``observed_ms`` came from. The numbers are stored; never renumber."""

    SENSOR = 0
    """The payload carried its own time."""
    ARRIVAL = 1
    """Stamped by the daemon on arrival, its clock trusted."""
    ARRIVAL_UNSURE = 2
    """Stamped on arrival while the daemon's clock was not trusted; to be corrected after the clock is set."""
    CORRECTED = 3
    """Stamped on arrival with a wrong clock, since corrected from the monotonic clock."""


class Reading(NamedTuple):
    """One sensor's statement at one instant, in the units below and otherwise untouched.

    ``gravity`` is what a float shows at the must's temperature (or 20/20 if the sensor says ``compensated``).
    A named tuple, not a frozen dataclass: built for every message, and three times cheaper to build.
    """

    sensor: str
    observed_ms: int
    received_ms: int
    gravity: float | None = None
    inclination_deg: float | None = None
    temperature_c: float | None = None
    battery_v: float | None = None
    signal_dbm: float | None = None
    stamp: Stamp = Stamp.SENSOR
