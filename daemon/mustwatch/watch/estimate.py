"""The estimate: smoothed gravity and its rate, with standard errors."""

from typing import NamedTuple


class Estimate(NamedTuple):
    """What the watch believes of a lot at one instant.

    Attributes:
        at_ms: the instant, milliseconds since the epoch.
        gravity: smoothed gravity 20/20; None before the first gravity.
        gravity_sd: its standard error.
        rate_per_day: change of gravity per day (negative while fermenting).
        rate_sd: its standard error.
        temperature_c: smoothed temperature of the must, °C, or None.
    """

    at_ms: int
    gravity: float | None
    gravity_sd: float | None
    rate_per_day: float | None
    rate_sd: float | None
    temperature_c: float | None


class Expected(NamedTuple):
    """A forecast instant with its 90 % interval, milliseconds since the epoch."""

    at_ms: int
    earliest_ms: int
    latest_ms: int
