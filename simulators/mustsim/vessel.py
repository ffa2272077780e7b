"""The vessel: how much of the ferment's heat it gives to the room, and what a heater or a cooler adds."""

import math
from dataclasses import dataclass
from typing import Final

HEAT_CAPACITY_J_PER_L_K: Final = 3850.0
"""Of must, per litre: 3.6-3.7 kJ/kg/K times 1.05-1.09 kg/L. Source: from memory."""
SURFACE_W_PER_M2_K: Final = {"bucket": 7.0, "carboy": 8.0, "barrel": 4.0, "tank": 9.0}
"""Through wall and still air, per area. Own estimate: about 8 W/m²/K in still air, less where the wall insulates."""


@dataclass(frozen=True, slots=True)
class Vessel:
    """A vessel by its name.

    Attributes:
        kind: bucket, carboy, barrel or tank; ``litres`` its capacity.
        room: name of the room it stands in (empty: the first).
        loss_w_per_k: heat given to the room per kelvin; None: from its kind and surface.
        heat_below_c, heat_w: a heating belt with its thermostat; ``cool_above_c``, ``cool_w`` a cooler.
    """

    name: str
    kind: str = "bucket"
    litres: float = 30.0
    room: str = ""
    loss_w_per_k: float | None = None
    heat_below_c: float | None = None
    heat_w: float = 25.0
    cool_above_c: float | None = None
    cool_w: float = 60.0

    def loss(self, litres: float) -> float:
        """Return the heat given to the room, W/K, when it holds a volume in litres.

        The surface is that of a cylinder as high as wide: 5.54 V^(2/3).
        """
        if self.loss_w_per_k is not None:
            return self.loss_w_per_k
        return SURFACE_W_PER_M2_K[self.kind] * 5.54 * math.pow(litres / 1000.0, 2.0 / 3.0)


def temperature_after(
    vessel: Vessel,
    litres: float,
    temperature_c: float,
    around_c: float,
    heat_w: float,
    hours: float,
    loss_factor: float = 1.0,
) -> float:
    """Return the must's temperature after some hours of even heat release in surroundings of one temperature.

    Exact for those hours, so any step is stable. ``loss_factor`` is above 1 with the lid off.
    """
    loss = vessel.loss(litres) * loss_factor
    heat = heat_w
    if vessel.heat_below_c is not None:
        heat += vessel.heat_w * _demand(vessel.heat_below_c - temperature_c)
    if vessel.cool_above_c is not None:
        heat -= vessel.cool_w * _demand(temperature_c - vessel.cool_above_c)
    settles_at = around_c + heat / loss
    hours_to_settle = litres * HEAT_CAPACITY_J_PER_L_K / loss / 3600.0
    return settles_at + (temperature_c - settles_at) * math.exp(-hours / hours_to_settle)


def _demand(shortfall_k: float) -> float:
    """Return how hard a thermostat works: from nothing to all within half a kelvin around its mark."""
    return min(1.0, max(0.0, 0.5 + 2.0 * shortfall_k))
