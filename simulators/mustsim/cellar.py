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
from mustsim.truth import MS_PER_H, CellarTruth, Done, Event, LotTruth, crossings

Form = Literal["senml", "json", "number"]


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
    begins = scenario.begins
    begins_ms = round(begins.timestamp() * 1000)
    if ending_ms is not None:
        begins_ms = ending_ms - round(scenario.days * 24 * MS_PER_H)
    steps = round(scenario.days * 24 * 60 / scenario.step_min)
    hours = np.arange(steps + 1, dtype=np.float64) * (scenario.step_min / 60.0)
    first_hour = _local_hour(begins, begins_ms)
    rooms = {
        room.name: room_temperature(room, hours, first_hour, _chance(scenario, seed, "room", room.name))
        for room in scenario.rooms
    }
    lots, done = {}, []
    for lot in scenario.lots:
        lots[lot.name], did = run_lot(
            scenario, lot, rooms, begins_ms, _chance(scenario, seed, "lot", lot.name)
        )
        done += did
    done.sort(key=lambda d: d.at_ms)
    places, done = sensor_places(scenario, done, begins_ms)
    messages: list[Message] = []
    for sensor in scenario.sensors:
        messages += _speak(scenario, seed, sensor, lots, rooms, hours, places[sensor.id], begins_ms)
    messages.sort(key=lambda m: m.sent_ms)
    truth = CellarTruth(lots, rooms, _sensor_events(scenario, lots, begins_ms), tuple(done))
    return SimulatedCellar(
        scenario, seed, begins_ms, begins_ms + round(float(hours[-1]) * MS_PER_H), messages, truth
    )


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


def faults_of(scenario: Scenario, sensor: Sensor, lots: Mapping[str, LotTruth]) -> tuple[Fault, ...]:
    """Return the faults that befall a sensor, each with the day on which it really begins."""
    mine = [f for f in scenario.faults if f.sensor in ("*", sensor.id)]
    lot = next((t for t in lots.values() if t.stays[0][1] == sensor.vessel), None)
    return tuple(begun for fault in mine if (begun := _begun(fault, lot)) is not None)


def _begun(fault: Fault, lot: LotTruth | None) -> Fault | None:
    """Return a fault with its day, or None if the gravity it waits for is never reached."""
    if fault.at_gravity is None:
        return fault
    if lot is None or not (reached := crossings(lot, fault.at_gravity)):
        return None
    day = (reached[0].at_ms - int(lot.t_ms[0])) / MS_PER_H / 24.0
    return replace(fault, from_day=day + fault.from_day, at_gravity=None)


def _speak(
    scenario: Scenario,
    seed: int,
    sensor: Sensor,
    lots: Mapping[str, LotTruth],
    rooms: dict[str, FloatArray],
    hours: FloatArray,
    places: Sequence[Place],
    begins_ms: int,
) -> list[Message]:
    """Return every message of one sensor."""
    rng = _chance(scenario, seed, "sensor", sensor.id)
    faults = faults_of(scenario, sensor, lots)
    at = instants(sensor, scenario.days, rng)
    around = surroundings(scenario, sensor, at, places, lots, rooms, hours, begins_ms)
    shown = read(sensor, around, faults, rng)
    sent = deliveries(sensor, at, shown.get("battery_v"), faults, rng)
    clock_ms = 0
    for fault in faults:
        clock_ms += round(1000 * fault.seconds)
    observed = (begins_ms + np.round(at * MS_PER_H)).astype(np.int64).tolist()
    columns = {_QUANTITY[key]: values.tolist() for key, values in shown.items()}
    messages = []
    for sent_h, indices in sent:
        said = [
            encode.Said(observed[i] + clock_ms, {name: column[i] for name, column in columns.items()})
            for i in indices
        ]
        sent_ms = begins_ms + round(sent_h * MS_PER_H)
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


def _sensor_events(scenario: Scenario, lots: Mapping[str, LotTruth], begins_ms: int) -> tuple[Event, ...]:
    events = []
    for sensor in scenario.sensors:
        for fault in faults_of(scenario, sensor, lots):
            at_ms = begins_ms + round(24 * fault.from_day * MS_PER_H)
            until_ms = None if fault.hours is None else at_ms + round(fault.hours * MS_PER_H)
            events.append(Event(fault.kind.value, at_ms, until_ms, None, sensor.id))
    return tuple(sorted(events, key=lambda event: event.at_ms))
