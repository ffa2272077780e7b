"""A float that begins to hang is found out some readings late: what it said meanwhile is taken back.

While a float may have begun to hang, its readings are still believed, and pull gravity and rate after them. Once it is
sure that it hangs, the filter goes back to the slot in which that began and is carried forward from there without it.
"""

from dataclasses import dataclass, field
from typing import Any, NamedTuple

from mustwatch.watch.gravity_filter import GravityFilter

MOST_STEPS = 64
"""A float that is neither free nor held for so many slots has nothing to take back any more."""


class Hangs(NamedTuple):
    """How a lot's floats hang: since when the newest, the highest gravity of one, whether one is too quiet to tell."""

    since_ms: int
    at_gravity: float
    is_quiet: bool


@dataclass(slots=True)
class Hanging:
    """What the filter knew before a lot's only float may have begun to hang, and how it was carried on since."""

    mark: list[Any] | None = None
    steps: list[tuple[float, float]] = field(default_factory=list)

    def begin(self, kept: GravityFilter) -> None:
        """Mark what is known just now, before what the float said in this slot."""
        self.mark = kept.mark()
        self.steps = []

    def forget(self) -> None:
        """Forget the mark: something else was learnt since."""
        self.mark = None

    def advance(self, days: float, warmer_k: float) -> None:
        """Note that the filter is carried on by so many days, in which the must became warmer by so many kelvin."""
        if self.mark is not None:
            self.steps.append((days, warmer_k))
            if len(self.steps) > MOST_STEPS:
                self.mark = None

    def take_back(self, kept: GravityFilter) -> bool:
        """Bring the filter to where it would be without the float; returns whether there was anything to take back."""
        if self.mark is None:
            return False
        kept.come_back(self.mark, self.steps)
        self.mark = None
        return True
