"""The room around the vessels: day and night, weather, and spells of cold or heat."""

from dataclasses import dataclass
from itertools import accumulate
from typing import Final

import numpy as np

from mustsim.density import FloatArray

HOURS_PER_DAY: Final = 24.0


@dataclass(frozen=True, slots=True)
class Spell:
    """A departure from the usual: a cold night, a heat wave, a heater left on.

    Attributes:
        from_day, until_day: begin and end, days after the scenario's begin.
        change_c: how much warmer (or, negative, colder) the room is, K.
        nights_only: only between 21:00 and 08:00 local time.
        ramp_h: hours it takes to come and to go.
    """

    from_day: float = 0.0
    until_day: float = 1.0
    change_c: float = -6.0
    nights_only: bool = False
    ramp_h: float = 3.0


@dataclass(frozen=True, slots=True)
class Room:
    """A room by its name.

    Attributes:
        mean_c: mean temperature; ``trend_c_per_day`` its slow change through the season.
        day_swing_c: from the coldest to the warmest of an ordinary day.
        warmest_hour: local hour at which it is warmest.
        weather_sd_c, weather_h: size and correlation time of the weather (first-order autoregressive).
        spells: what departs from that.
    """

    name: str = "cellar"
    mean_c: float = 19.0
    trend_c_per_day: float = 0.0
    day_swing_c: float = 2.0
    warmest_hour: float = 16.0
    weather_sd_c: float = 0.5
    weather_h: float = 18.0
    spells: tuple[Spell, ...] = ()


def room_temperature(
    room: Room, hours: FloatArray, first_local_hour: float, rng: np.random.Generator
) -> FloatArray:
    """Return the room's temperature in °C at hours since the begin, which was at a local hour of the day."""
    local = first_local_hour + hours
    day = 0.5 * room.day_swing_c * np.cos(2 * np.pi * (local - room.warmest_hour) / HOURS_PER_DAY)
    temperature = room.mean_c + room.trend_c_per_day * hours / HOURS_PER_DAY + day
    temperature = temperature + wander(hours, room.weather_sd_c, room.weather_h, rng)
    for spell in room.spells:
        temperature = temperature + _spell(spell, hours, local)
    return np.asarray(temperature, dtype=np.float64)


def wander(hours: FloatArray, sd: float, correlation_h: float, rng: np.random.Generator) -> FloatArray:
    """Return first-order autoregressive noise of a standard deviation at rising instants in hours."""
    shocks = rng.standard_normal(hours.size)
    if sd <= 0.0 or hours.size == 0:
        return np.zeros(hours.size)
    keep = np.exp(-np.diff(hours, prepend=hours[0]) / correlation_h)
    scaled = shocks * np.sqrt(1.0 - keep**2)
    scaled[0] = shocks[0]
    steps = zip(keep.tolist(), scaled.tolist(), strict=True)
    first = next(steps)[1]
    walked = accumulate(steps, lambda x, step: x * step[0] + step[1], initial=first)
    return sd * np.fromiter(walked, dtype=np.float64, count=hours.size)


def _spell(spell: Spell, hours: FloatArray, local: FloatArray) -> FloatArray:
    ramp = max(spell.ramp_h, 0.01)
    begin, end = spell.from_day * HOURS_PER_DAY, spell.until_day * HOURS_PER_DAY
    share = np.clip((hours - begin) / ramp, 0, 1) * np.clip((end - hours) / ramp, 0, 1)
    if spell.nights_only:
        into_night = (local - 21.0) % HOURS_PER_DAY
        share = share * np.clip(into_night / ramp, 0, 1) * np.clip((11.0 - into_night) / ramp, 0, 1)
    return np.asarray(spell.change_c * share, dtype=np.float64)
