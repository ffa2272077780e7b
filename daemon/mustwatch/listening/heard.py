"""What was heard on the broker as commands and pages show it: by topic, and the entries that would have it taken in."""

from collections.abc import Mapping
from typing import Any

from mustwatch.cellar.sensor import Sensor, SensorKind
from mustwatch.config.settings import Settings
from mustwatch.listening.report import Ear, figures, proposals, read_as, shown, toml_of


def topics_of(settings: Settings) -> dict[str, Sensor]:
    """Return the configured sensors by each topic they speak on."""
    return {t: s for s in (one.sensor() for one in settings.sensor) for t in (s.topics or (s.topic,))}


def heard_document(
    ear: Ear, sensors: Mapping[str, Sensor], settings: Settings, now_ms: int
) -> dict[str, Any]:
    """Return the document of ``mustwatch listen --json``."""
    heard = dict(ear.topics)
    new = [t for t in heard.values() if t.name not in sensors]
    with_float = {s.vessel for s in settings.sensor if s.kind is SensorKind.FLOAT}
    free = [v.name for v in settings.vessel if v.name not in with_float]
    made = proposals(new, [s.id for s in settings.sensor], free, now_ms)
    owners = {t: p for p in made for t in p.topics}
    rows = []
    for topic in heard.values():
        known = sensors.get(topic.name)
        as_what = known or (owners[topic.name].sensor if topic.name in owners else None)
        readings, why = read_as(as_what, topic.name, topic.samples[-1], now_ms) if as_what else ([], None)
        rows.append(
            {
                "topic": topic.name,
                "messages": topic.messages,
                "retained": topic.retained,
                "payload": shown(topic.samples[-1]),
                "sensor": known.id if known is not None else None,
                "readings": [figures(reading) for reading in readings],
                "why": why if as_what else "nothing in it is known; expected JSON, SenML or a bare number",
            }
        )
    return {
        "topics": rows,
        "proposals": [
            {"sensor": p.sensor.id, "topics": list(p.topics), "remarks": list(p.remarks), "toml": toml_of(p)}
            for p in made
        ],
    }
