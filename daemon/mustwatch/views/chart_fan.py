"""The forecast as a fan: the paths on which gravity would fall to come out early, as expected, and late."""

from collections.abc import Iterator, Sequence
from math import log
from typing import NamedTuple

from mustwatch.watch.curve import SLOWING

STEPS = 16
SETTLED_SHARE = 0.015
"""Share of the fall that is left when a ferment counts as ended: the path stops there, since it never quite arrives."""


class Foreseen(NamedTuple):
    """When a gravity is expected: with its 90 % interval, milliseconds since the epoch."""

    gravity: float
    at_ms: int
    earliest_ms: int
    latest_ms: int


class Fan(NamedTuple):
    """The fan's rays: for each gravity, from now's down to the end's, when it is reached at what pace."""

    gravity: list[float]
    expected_ms: list[int]
    earliest_ms: list[int]
    latest_ms: list[int]


def fan(now_ms: int, gravity: float, foreseen: Sequence[Foreseen]) -> Fan | None:
    """Return the fan through what is foreseen, or None if nothing below the present gravity is.

    Args:
        now_ms: the present, of the estimate.
        gravity: now, 20/20.
        foreseen: falling gravities with rising instants (the racking gravity, the end); each is passed through.

    Between them the paths have the shape of the uptake law, stretched in time to arrive as foreseen.
    """
    ahead = [f for f in foreseen if f.gravity < gravity and f.at_ms > now_ms]
    if not ahead:
        return None
    made = Fan([gravity], [now_ms], [now_ms], [now_ms])
    begin = Foreseen(gravity, now_ms, now_ms, now_ms)
    end = ahead[-1].gravity
    for ends in ahead:
        for level, share in _shape(begin.gravity, ends.gravity, gravity, end):
            made.gravity.append(level)
            for of, name in ((made.expected_ms, 1), (made.earliest_ms, 2), (made.latest_ms, 3)):
                of.append(round(begin[name] + share * max(0, ends[name] - begin[name])))
        begin = ends
    return made


def _shape(
    from_gravity: float, to_gravity: float, highest: float, lowest: float
) -> Iterator[tuple[float, float]]:
    """Yield gravities between two, each with the share of the time between them that has passed by then."""
    floor = lowest - SETTLED_SHARE * (highest - lowest)
    whole = highest - floor

    def passed(level: float) -> float:
        left = (level - floor) / whole
        return 1.0 - left - SLOWING * log(left)

    begin, end = passed(from_gravity), passed(to_gravity)
    for step in range(1, STEPS + 1):
        level = from_gravity + (to_gravity - from_gravity) * step / STEPS
        yield level, (passed(level) - begin) / (end - begin)
