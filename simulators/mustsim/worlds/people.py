"""What the people of a world do: they pitch, dip a hydrometer now and then as well as they can, and some rack."""

from typing import NamedTuple

import numpy as np

from mustsim.density import FloatArray
from mustsim.worlds.courses import Rng


class Deed(NamedTuple):
    """Something somebody wrote into the book: ``start``, ``measure`` or ``rack``, ``hour`` hours after the start.

    ``gravity`` is what the hydrometer showed, corrected to 20/20; ``celsius`` the must's temperature.
    """

    what: str
    hour: float
    gravity: float
    celsius: float


def draw_deeds(
    rng: Rng, hours: FloatArray, gravity: FloatArray, celsius: FloatArray, racks_below: float
) -> tuple[Deed, ...]:
    """Return the deeds of one lot in time order."""
    division = float(rng.choice([0.001, 0.002]))
    gas = float(rng.uniform(0.0, 0.003)) if rng.random() < 0.5 else 0.0
    """Undegassed: bubbles carry the hydrometer."""
    fall = -np.gradient(gravity, hours / 24.0)

    def dip(what: str, hour: float) -> Deed:
        i = min(int(np.searchsorted(hours, hour)), hours.size - 1)
        lifted = gas * float(np.clip(fall[i] / 0.01, 0.0, 1.0))
        shown = gravity[i] + lifted + rng.normal(0.0, 0.3 * division)
        return Deed(
            what, hour, float(np.round(shown / division) * division), float(np.round(2.0 * celsius[i]) / 2.0)
        )

    deeds = [dip("start", 0.0)]
    last = float(hours[-1])
    if rng.random() < 0.6:
        every = float(rng.uniform(1.0, 8.0)) * 24.0
        hour = float(rng.uniform(0.5, 1.5)) * every
        while hour < last:
            local = (hour + 10.0) % 24.0
            deeds.append(dip("measure", min(last, hour + (0.0 if 8.0 <= local <= 21.5 else 10.0))))
            hour += float(rng.uniform(0.3, 2.0)) * every
    below = np.flatnonzero(gravity <= racks_below)
    if rng.random() < 0.3 and below.size:
        deeds.append(dip("rack", float(hours[below[0]]) + float(rng.uniform(6.0, 72.0))))
    return tuple(sorted((d for d in deeds if d.hour <= last), key=lambda d: d.hour))
