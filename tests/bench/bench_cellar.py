"""An invented cellar of any size for the benchmarks: its configuration, what its floats say, and when lots began.

Every vessel ferments by one law with a repeatable jitter; a lot of the law's gravity and temperature makes the watch do
its whole work (slots, filter, detectors, forecast) while being quick to write, so that the limits are measured and not
the making of data.
"""

import json
import math
from collections.abc import Iterator
from pathlib import Path

from mustwatch.cellar.book import Entry, Start
from mustwatch.cellar.instant import DAY_MS, MINUTE_MS, iso
from mustwatch.config.plan import CellarPlan, note_places, plan_of
from mustwatch.config.settings import Settings
from mustwatch.store.store import Store

T0_MS = 1_756_684_800_000
"""2025-09-01T00:00:00Z: where histories begin that end before the present."""


def names(vessels: int) -> list[str]:
    """Return the vessels' names."""
    return [f"v{i:04d}" for i in range(vessels)]


def toml(vessels: int, store: Path, port: int = 1883, more: str = "") -> str:
    """Return the configuration: a float in every vessel, saying JSON with a time of its own."""
    parts = [f'[mqtt]\nport = {port}\n[store]\npath = "{store}"\n{more}\n']
    for name in names(vessels):
        parts.append(f'[[vessel]]\nname = "{name}"\nkind = "carboy"\nlitres = 25\n')
        parts.append(
            f'[[sensor]]\nid = "f-{name}"\nkind = "float"\nvessel = "{name}"\ntopic = "cellar/{name}"\n'
            'decoder = "json"\n'
            'fields = { gravity = "sg", temperature = "temp", battery = "batt",'
            ' time = { path = "t", unit = "epoch_ms" } }\n'
        )
    return "\n".join(parts)


def plan(vessels: int, store: Path) -> CellarPlan:
    """Return the same as a plan."""
    import tomllib

    return plan_of(Settings(**tomllib.loads(toml(vessels, store))))


def start_lots(store: Store, of: CellarPlan, vessels: int, at_ms: int) -> None:
    """Put a lot into every vessel."""
    note_places(store, of, at_ms)
    for name in names(vessels):
        store.book.append(
            Entry(
                f"start-{name}", f"lot-{name}", at_ms, at_ms, Start(name, gravity=1.090, temperature_c=19.0)
            )
        )


def gravity_at(days: float, vessel: int) -> float:
    """Return a wine's gravity: from 1.090 to 0.994, half-way after five to eight days."""
    middle = 5.0 + vessel % 7 * 0.5
    return 0.994 + 0.096 / (1.0 + math.exp(0.9 * (days - middle)))


def celsius_at(days: float, vessel: int) -> float:
    """Return its temperature: nights and days around 18 to 20 °C."""
    return 18.0 + vessel % 5 * 0.5 + 0.8 * math.sin(2 * math.pi * days)


def payloads(
    vessels: int, from_ms: int, until_ms: int, every_ms: int, started_ms: int | None = None
) -> Iterator[tuple[int, str, bytes]]:
    """Yield (instant, topic, payload) in time order, the vessels spread over the interval."""
    started_ms = from_ms if started_ms is None else started_ms
    topics = [f"cellar/{name}" for name in names(vessels)]
    number = 0
    at_ms = from_ms
    while at_ms < until_ms:
        for i, topic in enumerate(topics):
            instant = at_ms + i * every_ms // vessels
            days = (instant - started_ms) / DAY_MS
            number += 1
            jitter = 0.0008 * (((number * 7919) % 1000) / 500.0 - 1.0)
            said = {
                "t": instant,
                "sg": round(gravity_at(days, i) + jitter, 4),
                "temp": round(celsius_at(days, i), 2),
                "batt": 3.9,
            }
            yield instant, topic, json.dumps(said).encode()
        at_ms += every_ms


def write_record(file: Path, vessels: int, days: float, every_min: float = 5) -> int:
    """Write a recorded history as JSON lines, as mosquitto_sub -F %j prints them; return how many."""
    lines = 0
    with file.open("w", encoding="utf-8") as out:
        until_ms = T0_MS + round(days * DAY_MS)
        for at_ms, topic, payload in payloads(vessels, T0_MS, until_ms, round(every_min * MINUTE_MS)):
            out.write(
                json.dumps({"tst": iso(at_ms), "topic": topic, "qos": 1, "payload": payload.decode()}) + "\n"
            )
            lines += 1
    return lines
