"""How a wine stands: the evidence that findings of several kinds share."""

from dataclasses import dataclass
from typing import Any, Self

from mustwatch.cellar.quantities import Celsius, Gravity, GravityChange, GravityPerDay, KelvinPerHour, rounded
from mustwatch.watch.finding import Evidence
from mustwatch.watch.slot_view import SlotView

MOVED = 0.0025
"""After it has settled a fall of this much is movement if the rate agrees."""

MOVING_RATE = 0.0015
"""... and so is a rate clearly above this a day."""

BY_HAND_SHARE = 0.9
"""Equal checks count as settled from this share of the settled hours on: people come at about the same hour."""


@dataclass(frozen=True, slots=True)
class Standing(Evidence):
    """Gravity 20/20, its change per day and the must's temperature."""

    gravity: Gravity | None
    rate_per_day: GravityPerDay | None
    celsius: Celsius | None

    @classmethod
    def of(cls, view: SlotView, **more: Any) -> Self:
        """Return it as of a closed slot."""
        return cls(gravity=gravity_of(view), rate_per_day=rate_of(view), celsius=celsius_of(view), **more)


@dataclass(frozen=True, slots=True)
class AtTheEnd(Standing):
    """The same of a wine that may have ended, with standard errors and the gravities where it should end."""

    gravity_sd: GravityChange
    rate_sd_per_day: GravityPerDay
    dry_gravity: Gravity
    expected_end_gravity: Gravity | None

    @classmethod
    def of(cls, view: SlotView, **more: Any) -> Self:
        """Return it as of a closed slot."""
        return cls(
            gravity=gravity_of(view),
            rate_per_day=rate_of(view),
            celsius=celsius_of(view),
            gravity_sd=GravityChange(round(view.gravity_sd, 5)),
            rate_sd_per_day=GravityPerDay(round(view.rate_sd, 5)),
            dry_gravity=Gravity(view.profile.dry_gravity),
            expected_end_gravity=rounded(Gravity, view.estimator.end_gravity, 4),
            **more,
        )


@dataclass(frozen=True, slots=True)
class Left(Evidence):
    """What is kept of it when a finding is over: what is known alone."""

    gravity: Gravity | None = None
    rate_per_day: GravityPerDay | None = None
    celsius: Celsius | None = None
    celsius_per_hour: KelvinPerHour | None = None


def gravity_of(view: SlotView) -> Gravity | None:
    """Return the estimate to four decimals."""
    return rounded(Gravity, view.gravity, 4)


def rate_of(view: SlotView) -> GravityPerDay:
    """Return the estimate's change per day."""
    return GravityPerDay(round(view.rate, 5))


def celsius_of(view: SlotView) -> Celsius | None:
    """Return the must's temperature in the slot to one decimal."""
    return rounded(Celsius, view.celsius, 1)


def is_settled_by_hand(view: SlotView) -> bool:
    """Return whether hydrometer checks alone show that the wine has settled."""
    equal_h = view.equal_checks_hours
    return equal_h is not None and equal_h >= BY_HAND_SHARE * view.profile.settled_hours
