"""Variations of a scenario: five hundred different ferments of one kind, each believable."""

from collections.abc import Mapping, Sequence
from dataclasses import fields, is_dataclass, replace
from enum import StrEnum
from typing import Any, Final

import numpy as np

from mustsim.ferment import COLEMAN
from mustsim.scenario import Lot, Scenario, ScenarioError
from mustsim.truth import dry_gravity

USUAL: Final[Mapping[str, Any]] = {
    "lots.*.must.gravity": [1.045, 1.110],
    "lots.*.must.extract_g_per_l": [12.0, 28.0],
    "lots.*.must.yan_mg_per_l": [130.0, 300.0],
    "lots.*.yeast.inoculum_g_per_l": [0.15, 0.5],
    "lots.*.yeast.vigour": [0.6, 1.0],
    "lots.*.yeast.lag_h": [6.0, 24.0],
    "rooms.*.mean_c": {"add": [-1.5, 1.5]},
    "rooms.*.day_swing_c": {"add": [-0.5, 1.5]},
    "rooms.*.weather_sd_c": [0.2, 0.8],
    "sensors.*.noise": [0.0008, 0.003],
    "sensors.*.interval_min": {"choice": [5.0, 10.0, 15.0, 30.0, 60.0]},
    "sensors.*.quantum": {"choice": [0.0005, 0.001]},
    "sensors.*.wander": [0.0, 0.0003],
    "sensors.*.cross_per_k": [-0.0001, 0.0001],
    "sensors.*.spikes": [0.0, 0.03],
}
"""Drawn unless the scenario's ``[vary]`` says otherwise. Path to [low, high], {add = [low, high]} or {choice}."""
DRY_BY: Final = 0.0015
"""A wine without a fault in it ends at least so far below the gravity its profile calls dry."""
STALL_ABOVE: Final = 0.006
"""A forced stall is at least so far above it: nearer, no hydrometer could tell it from an end."""
MOST_TRIES: Final = 200


def randomised(scenario: Scenario, rng: np.random.Generator) -> Scenario:
    """Return the scenario with its parameters drawn anew, plausible together.

    Raises:
        ScenarioError: ``vary`` names a path that is not there, or no draw fits together.
    """
    ranges = {**USUAL, **scenario.vary}
    for _ in range(MOST_TRIES):
        drawn = scenario
        for path, spread in ranges.items():
            if spread is not False:
                drawn = _changed(
                    drawn, path.split("."), spread, rng, f"scenario {scenario.name}: vary: {path}"
                )
        if all(_is_plausible(lot) for lot in drawn.lots):
            return drawn
    raise ScenarioError(
        f"scenario {scenario.name}: vary: no plausible draw in {MOST_TRIES}; widen its ranges"
    )


def _is_plausible(lot: Lot) -> bool:
    """Return whether the wine would end dry by its profile, and a forced stall stays clearly above that."""
    stall = lot.yeast.stall_gravity
    yielded = lot.yeast.ethanol_yield or COLEMAN.ethanol_yield
    ends_at = dry_gravity(lot.must.sugar_g_per_l, 0.0, lot.must.extract_g_per_l, yielded)
    if ends_at > lot.dry_at - DRY_BY:
        return False
    if stall is None or stall <= lot.dry_at:
        return stall is None or stall > ends_at + 0.003
    return lot.dry_at + STALL_ABOVE < stall < lot.must.gravity - 0.015


def _changed(part: Any, path: Sequence[str], spread: Any, rng: np.random.Generator, where: str) -> Any:
    """Return a part of a scenario with the values at a path drawn anew; ``*`` stands for every item."""
    if not path:
        return _drawn(part, spread, rng, where)
    head, rest = path[0], path[1:]
    if isinstance(part, tuple):
        if head != "*" and not (head.isdigit() and int(head) < len(part)):
            raise ScenarioError(f"{where}: {head!r}; expected * or a number below {len(part)}")
        chosen = range(len(part)) if head == "*" else [int(head)]
        return tuple(
            _changed(item, rest, spread, rng, where) if i in chosen else item for i, item in enumerate(part)
        )
    if not is_dataclass(part) or head not in {f.name for f in fields(part)}:
        raise ScenarioError(f"{where}: {head!r} is not there")
    return replace(part, **{head: _changed(getattr(part, head), rest, spread, rng, where)})  # type: ignore[type-var]


def _drawn(value: Any, spread: Any, rng: np.random.Generator, where: str) -> Any:
    """Return a draw from a spread; what a scenario leaves unset (None) stays so."""
    if value is None:
        return None
    if isinstance(spread, Mapping) and set(spread) == {"choice"}:
        choice = spread["choice"][int(rng.integers(len(spread["choice"])))]
        return type(value)(choice) if isinstance(value, StrEnum) else choice
    if isinstance(spread, Mapping) and set(spread) == {"add"}:
        return value + float(rng.uniform(*spread["add"]))
    if isinstance(spread, list) and len(spread) == 2:
        return float(rng.uniform(*spread))
    raise ScenarioError(
        f"{where}: {spread!r}; expected [low, high], {{add = [low, high]}} or {{choice = [...]}}"
    )
