"""A whole cellar: every lot ferments, every sensor speaks, and the truth is kept beside it."""

import zlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Literal, NamedTuple

import numpy as np

from mustsim import encode
from mustsim.delivery import deliveries
from mustsim.density import FloatArray
from mustsim.lot import run_lot
from mustsim.places import Place, sensor_places, surroundings
from mustsim.room import room_temperature
from mustsim.scenario import Scenario
from mustsim.sensors import Fault, Sensor, instants, read
from mustsim.truth import MS_PER_H, CellarTruth, Done, Event, Grid, LotTruth, crossings

Form = Literal["senml", "json", "number"]

ALIGNMENTS = 4
"""Tries at shifting the begin until the last message falls on the wanted instant; the second mostly does."""


class Message(NamedTuple):
    """One message as a sensor sends it.

    Attributes:
        observed_ms: when it was truly observed; sent_ms: when the broker got it. Milliseconds since the epoch.
        retained: True: published with the retain flag.
        sensor: who sent it.
    """

    observed_ms: int
    sent_ms: int
    topic: str
    payload: bytes
    retained: bool
    sensor: str


@dataclass(frozen=True, slots=True)
class SimulatedCellar:
    """What a scenario made: ``messages`` by the time they were sent, and the ``truth``."""

    scenario: Scenario
    seed: int
    begins_ms: int
    ends_ms: int
    messages: list[Message]
    truth: CellarTruth


def run(
    scenario: Scenario, seed: int, form: Form | None = None, ending_ms: int | None = None
) -> SimulatedCellar:
    """Run a scenario; the same scenario and seed always give the same cellar.

    Args:
        scenario: what stands in the cellar. seed: of all chance in it.
        form: makes every sensor speak so, instead of as the scenario says.
        ending_ms: shifts the whole so that the last message is sent at this instant.
    """
    if form is not None:
        scenario = replace(scenario, sensors=tuple(replace(s, form=form) for s in scenario.sensors))
    if ending_ms is None:
        return _run_from(scenario, seed, round(scenario.begins.timestamp() * 1000))
    begins_ms = ending_ms - round(scenario.days * 24 * MS_PER_H)
    for _ in range(ALIGNMENTS):
        cellar = _run_from(scenario, seed, begins_ms)
        missing_ms = ending_ms - (cellar.messages[-1].sent_ms if cellar.messages else cellar.ends_ms)
        begins_ms += missing_ms
        if missing_ms == 0:
            break
    return cellar


def _run_from(scenario: Scenario, seed: int, begins_ms: int) -> SimulatedCellar:
    """Run a scenario as if it had begun at an instant."""
    steps = round(scenario.days * 24 * 60 / scenario.step_min)
    hours = np.arange(steps + 1, dtype=np.float64) * (scenario.step_min / 60.0)
    grid = Grid(hours, begins_ms, _local_hour(scenario.begins, begins_ms))
    rooms = {
        room.name: room_temperature(
            room, hours, grid.first_local_hour, _chance(scenario, seed, "room", room.name)
        )
        for room in scenario.rooms
    }
    lots, done = {}, []
    for lot in scenario.lots:
        lots[lot.name], did = run_lot(scenario, lot, rooms, grid, _chance(scenario, seed, "lot", lot.name))
        done += did
    done.sort(key=lambda d: d.at_ms)
    places, done = sensor_places(scenario, done, grid)
    messages: list[Message] = []
    for sensor in scenario.sensors:
        messages += _speak(scenario, seed, sensor, lots, rooms, places[sensor.id], grid)
    messages.sort(key=lambda m: m.sent_ms)
    truth = CellarTruth(lots, rooms, _sensor_events(scenario, lots, grid), tuple(done))
    return SimulatedCellar(scenario, seed, begins_ms, grid.ms(float(hours[-1])), messages, truth)


def stream(cellar: SimulatedCellar) -> Iterator[Message | Done]:
    """Yield messages and people's actions in the order of simulated time, so that both can be played back.

    A message's time is ``sent_ms``, an action's ``at_ms``; an action comes before a message of its instant.
    """
    actions = iter(cellar.truth.actions)
    action = next(actions, None)
    for message in cellar.messages:
        while action is not None and action.at_ms <= message.sent_ms:
            yield action
            action = next(actions, None)
        yield message
    while action is not None:
        yield action
        action = next(actions, None)


def _local_hour(begins: datetime, begins_ms: int) -> float:
    local = datetime.fromtimestamp(begins_ms / 1000.0, begins.tzinfo)
    return local.hour + local.minute / 60.0 + local.second / 3600.0


def _chance(scenario: Scenario, seed: int, *what: str) -> np.random.Generator:
    """Return a generator of its own for each part, so that one more sensor leaves the others as they were."""
    return np.random.default_rng([seed, zlib.crc32("/".join((scenario.name, *what)).encode())])


def faults_of(
    scenario: Scenario, sensor: Sensor, lots: Mapping[str, LotTruth], grid: Grid
) -> tuple[Fault, ...]:
    """Return the faults that befall a sensor, each with the day on which it really begins."""
    mine = [f for f in scenario.faults if f.sensor in ("*", sensor.id)]
    lot = next((t for t in lots.values() if t.stays[0][1] == sensor.vessel), None)
    return tuple(begun for fault in mine if (begun := _begun(fault, lot, grid)) is not None)


def _begun(fault: Fault, lot: LotTruth | None, grid: Grid) -> Fault | None:
    """Return a fault with its day, or None if the gravity it waits for is never reached."""
    if fault.at_gravity is None:
        return fault
    if lot is None or not (reached := crossings(lot, fault.at_gravity)):
        return None
    day = grid.hour(reached[0].at_ms) / 24.0
    return replace(fault, from_day=day + fault.from_day, at_gravity=None)


def _speak(
    scenario: Scenario,
    seed: int,
    sensor: Sensor,
    lots: Mapping[str, LotTruth],
    rooms: dict[str, FloatArray],
    places: Sequence[Place],
    grid: Grid,
) -> list[Message]:
    """Return every message of one sensor."""
    rng = _chance(scenario, seed, "sensor", sensor.id)
    faults = faults_of(scenario, sensor, lots, grid)
    at = instants(sensor, scenario.days, rng)
    around = surroundings(scenario, sensor, at, places, lots, rooms, grid)
    shown = read(sensor, around, faults, rng)
    sent = deliveries(sensor, at, shown.get("battery_v"), faults, rng)
    clock_ms = 0
    for fault in faults:
        clock_ms += round(1000 * fault.seconds)
    observed = (grid.begins_ms + np.round(at * MS_PER_H)).astype(np.int64).tolist()
    columns = {_QUANTITY[key]: values.tolist() for key, values in shown.items()}
    messages = []
    for sent_h, indices in sent:
        said = [
            encode.Said(observed[i] + clock_ms, {name: column[i] for name, column in columns.items()})
            for i in indices
        ]
        sent_ms = grid.ms(sent_h)
        for topic, payload in encode.payloads(sensor, said):
            messages.append(Message(observed[indices[-1]], sent_ms, topic, payload, sensor.retain, sensor.id))
    return messages


_QUANTITY = {
    "gravity": "gravity",
    "inclination_deg": "inclination",
    "temperature_c": "temperature",
    "battery_v": "battery",
    "signal_dbm": "signal",
}


def _sensor_events(scenario: Scenario, lots: Mapping[str, LotTruth], grid: Grid) -> tuple[Event, ...]:
    events = []
    for sensor in scenario.sensors:
        for fault in faults_of(scenario, sensor, lots, grid):
            at_ms = grid.ms(24 * fault.from_day)
            until_ms = None if fault.hours is None else at_ms + round(fault.hours * MS_PER_H)
            events.append(Event(fault.kind.value, at_ms, until_ms, None, sensor.id))
    return tuple(sorted(events, key=lambda event: event.at_ms))
