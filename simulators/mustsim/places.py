"""Where each sensor is through time, and what is around it there."""

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np

from mustsim.density import FloatArray
from mustsim.scenario import Scenario
from mustsim.sensors import Sensor, Surroundings
from mustsim.truth import Done, Grid, LotTruth


class Place(NamedTuple):
    """A sensor in a vessel (None: lying about) from an hour since the begin on."""

    from_h: float
    vessel: str | None


def sensor_places(
    scenario: Scenario, done: list[Done], grid: Grid
) -> tuple[dict[str, list[Place]], list[Done]]:
    """Return each sensor's places, and the actions with the sensors that really went along in a racking."""
    places = {s.id: [Place(0.0, s.vessel or None)] for s in scenario.sensors}
    told = []
    for did in done:
        if did.to_vessel is None:
            told.append(did)
            continue
        went = tuple(
            s.id
            for s in scenario.sensors
            if places[s.id][-1].vessel == did.vessel and (did.floats == ("*",) or s.id in did.floats)
        )
        hour = grid.hour(did.at_ms)
        for sensor in went:
            places[sensor] += [Place(hour, None), Place(hour + did.out_min / 60.0, did.to_vessel)]
        told.append(did._replace(floats=went))
    return places, told


def surroundings(
    scenario: Scenario,
    sensor: Sensor,
    at: FloatArray,
    places: Sequence[Place],
    lots: Mapping[str, LotTruth],
    rooms: Mapping[str, FloatArray],
    grid: Grid,
) -> Surroundings:
    """Return what is truly around a sensor at its instants: the lot it is in, or the room's air."""
    vessel = scenario.vessel(sensor.vessel) if sensor.vessel else None
    room = sensor.room or (vessel.room if vessel else "") or scenario.rooms[0].name
    temperature = np.interp(at, grid.hours, rooms[room])
    gravity, rate = np.ones_like(at), np.zeros_like(at)
    in_wine = np.zeros(at.size, dtype=np.bool_)
    for i, place in enumerate(places):
        until_h = places[i + 1].from_h if i + 1 < len(places) else np.inf
        for lot in lots.values():
            for begin_h, end_h in _stays(lot, place.vessel, grid):
                here = (at >= max(place.from_h, begin_h)) & (at < min(until_h, end_h))
                hours = lot.hours(grid)
                gravity[here] = np.interp(at[here], hours, lot.gravity)
                rate[here] = np.interp(at[here], hours, lot.rate_per_day)
                temperature[here] = np.interp(at[here], hours, lot.temperature_c)
                in_wine |= here
    return Surroundings(at, gravity, rate, temperature, in_wine)


def _stays(lot: LotTruth, vessel: str | None, grid: Grid) -> list[tuple[float, float]]:
    """Return the hours from and until which a lot sat in a vessel."""
    ends = [grid.hour(from_ms) for from_ms, _ in lot.stays[1:]] + [np.inf]
    return [
        (grid.hour(from_ms), end) for (from_ms, of), end in zip(lot.stays, ends, strict=True) if of == vessel
    ]
