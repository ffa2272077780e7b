"""Rooms of a world: shed, kitchen or cupboard under the stairs, with their days, snaps, heaters and moves."""

from dataclasses import dataclass

import numpy as np

from mustsim.density import FloatArray
from mustsim.room import Room, Spell, room_temperature
from mustsim.vessel import Vessel


@dataclass(frozen=True, slots=True)
class Climate:
    """Where the vessel stands: ``around_c`` on a grid of hours, the vessel, and how far the room swings in a day, K."""

    around_c: FloatArray
    vessel: Vessel
    litres: float
    swing_c: float


def draw_climate(rng: np.random.Generator, hours: FloatArray, is_check: bool) -> Climate:
    """Return a climate; daily swings to 14 K, snaps of cold and, in the check set, a move to another room."""
    swing = float(
        rng.choice([rng.uniform(0.0, 3.0), rng.uniform(3.0, 7.0), rng.uniform(7.0, 14.0)], p=_SWINGS)
    )
    days = float(hours[-1]) / 24.0
    spells = tuple(_spell(rng, days) for _ in range(int(rng.poisson(0.5))))
    room = Room(
        mean_c=float(rng.uniform(14.0, 26.0)),
        trend_c_per_day=float(rng.normal(0.0, 0.06)),
        day_swing_c=swing,
        warmest_hour=float(rng.uniform(12.0, 19.0)),
        weather_sd_c=float(rng.uniform(0.1, 1.2)),
        weather_h=float(rng.uniform(8.0, 48.0)),
        spells=spells,
    )
    around = room_temperature(room, hours, 10.0, rng)
    if is_check and rng.random() < 0.15:
        around = around + np.where(hours > 24.0 * rng.uniform(1.0, 12.0), rng.uniform(-6.0, 6.0), 0.0)
    litres = float(rng.choice([4.5, 10.0, 20.0, 25.0, 60.0]))
    heated = float(rng.uniform(17.0, 22.0)) if rng.random() < 0.15 else None
    kind = str(rng.choice(["bucket", "carboy", "tank"]))
    vessel = Vessel("vessel", kind, 1.2 * litres, loss_w_per_k=None, heat_below_c=heated)
    return Climate(np.clip(around, 2.0, 38.0), vessel, litres, swing)


_SWINGS = (0.5, 0.3, 0.2)


def _spell(rng: np.random.Generator, days: float) -> Spell:
    begins = float(rng.uniform(1.0, 0.7 * days))
    change = float(rng.choice([rng.uniform(-9.0, -3.0), rng.uniform(2.0, 6.0)]))
    return Spell(begins, begins + float(rng.uniform(0.4, 4.0)), change, bool(rng.random() < 0.3))
