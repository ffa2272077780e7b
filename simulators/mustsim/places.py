"""Where each sensor is through time, and what is around it there."""

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np

from mustsim.density import FloatArray
from mustsim.scenario import Scenario
from mustsim.sensors import Sensor, Surroundings
from mustsim.truth import MS_PER_H, Done, LotTruth


class Place(NamedTuple):
    """A sensor in a vessel (None: lying about) from an hour since the begin on."""

    from_h: float
    vessel: str | None


def sensor_places(
    scenario: Scenario, done: list[Done], begins_ms: int
) -> tuple[dict[str, list[Place]], list[Done]]:
    """Return each sensor's places, and the actions with the sensors that really went along in a racking."""
    places = {s.id: [Place(0.0, s.vessel or None)] for s in scenario.sensors}
    out_min = {(a.lot, a.to): a.out_min for a in scenario.actions}
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
        hour = (did.at_ms - begins_ms) / MS_PER_H
        out = out_min.get((did.lot, did.to_vessel), out_min.get(("", did.to_vessel), 20.0))
        for sensor in went:
            places[sensor] += [Place(hour, None), Place(hour + out / 60.0, did.to_vessel)]
        told.append(did._replace(floats=went))
    return places, told


def surroundings(
    scenario: Scenario,
    sensor: Sensor,
    at: FloatArray,
    places: Sequence[Place],
    lots: Mapping[str, LotTruth],
    rooms: Mapping[str, FloatArray],
    hours: FloatArray,
    begins_ms: int,
) -> Surroundings:
    """Return what is truly around a sensor at its instants: the lot it is in, or the room's air."""
    room = (
        sensor.room
        or (scenario.vessel(sensor.vessel).room if sensor.vessel else "")
        or scenario.rooms[0].name
    )
    temperature = np.interp(at, hours, rooms[room])
    gravity, rate = np.ones_like(at), np.zeros_like(at)
    in_wine = np.zeros(at.size, dtype=np.bool_)
    for i, place in enumerate(places):
        if place.vessel is None:
            continue
        until_h = places[i + 1].from_h if i + 1 < len(places) else np.inf
        for lot in lots.values():
            for j, (from_ms, vessel) in enumerate(lot.stays):
                if vessel != place.vessel:
                    continue
                begin = max(place.from_h, (from_ms - begins_ms) / MS_PER_H)
                left = (lot.stays[j + 1][0] - begins_ms) / MS_PER_H if j + 1 < len(lot.stays) else np.inf
                here = (at >= begin) & (at < min(until_h, left))
                if here.any():
                    gravity[here] = np.interp(at[here], hours, lot.gravity)
                    rate[here] = np.interp(at[here], hours, lot.rate_per_day)
                    temperature[here] = np.interp(at[here], hours, lot.temperature_c)
                    in_wine |= here
    return Surroundings(at, gravity, rate, temperature, in_wine)
