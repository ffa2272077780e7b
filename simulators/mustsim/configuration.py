"""The daemon's configuration that fits a scenario, and what its people would type into the cellar book."""

import json
import shlex
from collections.abc import Mapping
from typing import Any, Final

import numpy as np

from mustsim.cellar import SimulatedCellar
from mustsim.encode import DEFAULT_UNITS, PLAIN_FIELDS, topics
from mustsim.lines import iso
from mustsim.scenario import Scenario
from mustsim.sensors import Sensor, inclination
from mustsim.truth import Done

LOW_BATTERY_V: Final = 3.4
CALIBRATION_GRAVITIES: Final = (0.990, 1.000, 1.020, 1.040, 1.060, 1.080, 1.100, 1.120)
"""Where the maker of a float that inclines is taken to have calibrated it, in sugar water at 20 °C."""


def mustwatch_toml(scenario: Scenario, host: str = "127.0.0.1", port: int = 1883) -> str:
    """Return ``[mqtt]``, ``[[vessel]]`` and ``[[sensor]]`` of a configuration that listens to a scenario."""
    parts = [_table("[cellar]", {"name": scenario.title or scenario.name})]
    parts.append(_table("[mqtt]", {"host": host, "port": port}))
    for vessel in scenario.vessels:
        parts.append(
            _table("[[vessel]]", {"name": vessel.name, "kind": vessel.kind, "litres": vessel.litres})
        )
    parts += [_table("[[sensor]]", _sensor(sensor)) for sensor in scenario.sensors]
    return "\n".join(parts)


def record_lines(cellar: SimulatedCellar) -> list[str]:
    """Return the commands by which the scenario's people would write down what they did, in time order."""
    profiles = {lot.name: lot.profile for lot in cellar.scenario.lots}
    zone = cellar.scenario.begins.tzinfo
    lines = []
    for done in cellar.truth.actions:
        words = _record(done, profiles[done.lot]) if done.written else []
        if words:
            lines.append(shlex.join(["mustwatch", "record", *words, "--at", iso(done.at_ms, zone)]))
    return lines


def _record(done: Done, profile: str) -> list[str]:
    """Return the words of one entry after ``record``; empty for what is not written down."""
    if done.what == "start":
        words = ["start", done.lot, "--vessel", done.vessel, "--profile", profile, *_read(done)]
        return [*words, "--litres", f"{done.litres:g}"]
    if done.what == "measure":
        return ["measure", done.lot, *_read(done)]
    if done.what == "rack":
        floats = [word for name in done.floats for word in ("--float", name)]
        return [
            "rack",
            done.lot,
            "--to",
            str(done.to_vessel),
            *_read(done),
            "--litres",
            f"{done.litres:g}",
            *floats,
        ]
    if done.amount is not None and done.unit is not None:
        what = {"nutrient": "yeast nutrient"}.get(done.what, done.what)
        why = ["--why", done.why] if done.why else []
        return ["add", done.lot, what, f"{done.amount:g}{done.unit}", *why]
    if done.what == "lid-off":
        return ["note", done.lot, done.why or "lid off"]
    return []


def _read(done: Done) -> list[str]:
    return ["--gravity", f"{done.gravity_shown:.3f}", "--celsius", f"{done.temperature_c:g}"]


def _sensor(sensor: Sensor) -> dict[str, Any]:
    """Return the entries of one ``[[sensor]]``."""
    quantities = said_by(sensor)
    entry: dict[str, Any] = {"id": sensor.id, "kind": sensor.kind}
    entry |= {"room": True} if sensor.room else {"vessel": sensor.vessel}
    entry["decoder"] = sensor.form
    if sensor.form == "number":
        by = topics(sensor, quantities)
        entry["fields"] = {q: {"topic": by[q], "unit": DEFAULT_UNITS[q]} for q in quantities}
    else:
        entry["topic"] = sensor.base_topic
    if sensor.form == "json":
        fields = sensor.fields or PLAIN_FIELDS
        entry["fields"] = {q: dict(spec) for q, spec in fields.items() if q in (*quantities, "time")}
    if sensor.kind == "float" and sensor.reports == "compensated":
        entry["compensated"] = True
    if sensor.kind == "float" and sensor.reports == "inclination":
        inclinations = inclination(sensor, np.array(CALIBRATION_GRAVITIES))
        entry["calibration"] = [
            [round(float(inclined), 2), gravity]
            for inclined, gravity in zip(inclinations, CALIBRATION_GRAVITIES, strict=True)
        ]
    if sensor.battery_v is not None:
        entry["battery_low_v"] = LOW_BATTERY_V
    entry["silent_after"] = max(3 * 3600, round(4 * 60 * sensor.interval_min * sensor.pack))
    return entry


def said_by(sensor: Sensor) -> list[str]:
    """Return the quantities a sensor speaks of."""
    first = (
        [] if sensor.kind == "probe" else ["inclination" if sensor.reports == "inclination" else "gravity"]
    )
    battery = [] if sensor.battery_v is None else ["battery"]
    signal = [] if sensor.signal_dbm is None else ["signal"]
    return [*first, "temperature", *battery, *signal]


def _table(head: str, entries: Mapping[str, Any]) -> str:
    return "\n".join([head, *(f"{key} = {_value(value)}" for key, value in entries.items())]) + "\n"


def _value(value: Any) -> str:
    """Return a value as TOML on one line."""
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key} = {_value(of)}" for key, of in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(_value(item) for item in value) + "]"
    return json.dumps(value, ensure_ascii=False)
