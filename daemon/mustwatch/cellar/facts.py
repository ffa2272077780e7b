"""What the watch says of a lot at an instant, as plain values (the cellar may not import the watch)."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

HYDROMETER_SD = 0.001
"""Standard error of one hydrometer check, gravity. Source: common practice (half a division of a 0.002
scale); NIST SP 250-78 gives 0.00037 as the least a user can hope for."""
FLOAT_SD = 0.002
"""Standard error of a float's gravity where none is stated. Source: common practice."""


class Foreseen(NamedTuple):
    """A forecast instant with its interval, milliseconds since the epoch."""

    at_ms: int
    earliest_ms: int
    latest_ms: int


@dataclass(frozen=True, slots=True)
class Facts:
    """What is known of a lot beside its book. Every field may be missing; the defaults say "nothing known".

    Attributes:
        findings: the findings that hold, by their design name (``"finished"``), each with the instant since
            which it holds, milliseconds since the epoch.
        gravity: the estimate, 20/20, with its standard error ``gravity_sd``.
        rate_per_day: change of gravity per day, negative while fermenting, with ``rate_sd``.
        temperature_c: of the must, °C.
        estimated_ms: the instant the estimate speaks of.
        rack: when the racking gravity is expected; ``finish``: when the ferment is expected to end.
        floats: the ids of the floats in the lot's vessel.
    """

    findings: Mapping[str, int] = field(default_factory=dict)
    gravity: float | None = None
    gravity_sd: float | None = None
    rate_per_day: float | None = None
    rate_sd: float | None = None
    temperature_c: float | None = None
    estimated_ms: int | None = None
    rack: Foreseen | None = None
    finish: Foreseen | None = None
    floats: tuple[str, ...] = ()


NOTHING_KNOWN = Facts()


def allowance(sd: float | None, other_sd: float | None = HYDROMETER_SD) -> float:
    """Return by how much two gravities may differ and still agree: twice their combined standard error.

    Never less than 0.002, one division of a common hydrometer: what the eye reads cannot disagree by less.
    """
    one = FLOAT_SD if sd is None else sd
    two = FLOAT_SD if other_sd is None else other_sd
    return float(max(0.002, 2.0 * (one * one + two * two) ** 0.5))
