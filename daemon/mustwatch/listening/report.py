"""What was heard on the broker, topic by topic: how it is read, or the entry that would have it read. Pure."""

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import count
from typing import Any, Final

from mustwatch.cellar.reading import Reading
from mustwatch.cellar.sensor import Field, Quantity, Sensor, SensorKind
from mustwatch.config.toml_text import quoted
from mustwatch.ingest.decoders import PartlyRejected, Rejected, decoder_for
from mustwatch.listening.guess import Guess, guess, words_of

MOST_TOPICS: Final = 500
MOST_SAMPLES: Final = 5
"""What is remembered: enough to tell a pattern, bounded on a busy broker."""
SHOWN_CHARACTERS: Final = 160
_QUANTITY_WORDS: Final = frozenset(word for quantity in Quantity for word in (quantity.value,)) | frozenset(
    {
        "sg",
        "angle",
        "temp",
        "batt",
        "volt",
        "voltage",
        "rssi",
        "density",
        "state",
        "data",
        "value",
        "status",
        "telemetry",
        "sensor",
        "tele",
        "json",
        "raw",
        "senml",
        "reading",
        "readings",
        "celsius",
    }
)
"""Levels of a topic that name what is said, not who says it."""


@dataclass
class Topic:
    """One topic as heard."""

    name: str
    messages: int = 0
    retained: int = 0
    samples: list[bytes] = field(default_factory=list)

    def hear(self, payload: bytes, is_retained: bool) -> None:
        """Note a message."""
        self.messages += 1
        self.retained += is_retained
        self.samples = [*self.samples[1 - MOST_SAMPLES :], payload]


class Ear:
    """Collects messages by topic."""

    def __init__(self) -> None:
        """Begin with none."""
        self.topics: dict[str, Topic] = {}
        self.passed_over = 0

    def hear(self, topic: str, payload: bytes, is_retained: bool) -> Topic | None:
        """Note a message and return its topic; None if there are too many already."""
        if topic not in self.topics and len(self.topics) >= MOST_TOPICS:
            self.passed_over += 1
            return None
        heard = self.topics.setdefault(topic, Topic(topic))
        heard.hear(payload, is_retained)
        return heard


def shown(data: bytes | str, most: int = SHOWN_CHARACTERS) -> str:
    """Return bytes from the network as one harmless line: no control characters reach a terminal."""
    text = data.decode("utf-8", "backslashreplace") if isinstance(data, bytes) else data
    head = text[:most]
    safe = "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in head)
    return safe + ("…" if len(text) > most else "")


def read_as(sensor: Sensor, topic: str, payload: bytes, now_ms: int) -> tuple[list[Reading], str | None]:
    """Return the readings a sensor's decoder finds in a payload, and why not (all) if it does not."""
    outcome = decoder_for(sensor)(payload, topic, now_ms)
    if isinstance(outcome, Rejected):
        return [], f"{outcome.detail}"
    if isinstance(outcome, PartlyRejected):
        return outcome.readings, f"in part: {outcome.rejected.detail}"
    return outcome, None


@dataclass(frozen=True)
class Proposal:
    """A ``[[sensor]]`` entry for topics that no sensor has yet.

    Attributes:
        sensor: as it would be configured.
        topics: what it takes in.
        remarks: what to look at before copying it.
    """

    sensor: Sensor
    topics: tuple[str, ...]
    remarks: tuple[str, ...] = ()


def proposals(
    topics: Iterable[Topic],
    taken_ids: Iterable[str],
    free_vessels: Sequence[str],
    now_ms: int,
) -> list[Proposal]:
    """Return an entry for every sensor that seems to speak on topics not configured yet.

    Args:
        topics: what was heard on them.
        taken_ids: ids of configured sensors.
        free_vessels: vessels that have no float yet; the first goes to the first float.
        now_ms: the present: a payload's own time must not lie ahead of it.
    """
    taken, vessels = set(taken_ids), list(free_vessels)
    alone: list[tuple[Topic, Guess]] = []
    numbers: dict[str, list[tuple[Topic, Guess]]] = {}
    for topic in topics:
        guessed = guess(topic.samples, topic.name)
        if guessed is None:
            continue
        if guessed.decoder == "number":
            numbers.setdefault(_whose(topic.name), []).append((topic, guessed))
        else:
            alone.append((topic, guessed))
    made: list[Proposal] = []
    for topic, guessed in alone:
        sensor = Sensor("", SensorKind.PROBE, guessed.decoder, topic=topic.name, fields=guessed.fields)
        made.append(Proposal(sensor, (topic.name,), guessed.remarks))
    for group in numbers.values():
        made.extend(_from_numbers(group))
    return [_named(one, taken, vessels, topics, now_ms) for one in made]


def _from_numbers(group: Sequence[tuple[Topic, Guess]]) -> list[Proposal]:
    """Return the entry of a sensor with a topic for each quantity; a quantity said twice is another sensor's."""
    sensors: list[dict[str, Field]] = []
    remarks: list[str] = []
    for topic, guessed in group:
        said = guessed.fields[0]
        remarks.extend(guessed.remarks)
        room = next((s for s in sensors if all(f.quantity is not said.quantity for f in s.values())), None)
        if room is None:
            sensors.append({topic.name: said})
        else:
            room[topic.name] = said
    return [
        Proposal(
            Sensor("", SensorKind.PROBE, "number", topics=topics, fields=tuple(topics.values())),
            tuple(topics),
            tuple(r for r in remarks if any(r.startswith(t) for t in topics)),
        )
        for topics in sensors
    ]


_SAYS_NOTHING: Final = _QUANTITY_WORDS | {
    *("attributes", "attrs", "sensors", "up", "uplink", "event", "events", "message", "messages"),
    *("measurement", "measurements", "payload", "out", "stat", "info", "report"),
}
"""Words by which no sensor can be told from another."""


def _whose(topic: str) -> str:
    """Return the part of a topic that says who speaks: without the levels that name a quantity."""
    levels = topic.split("/")
    while len(levels) > 1 and set(words_of(levels[-1])) & _QUANTITY_WORDS:
        levels.pop()
    return "/".join(levels)


def _names(topic: str, decoder: str, kind: str) -> Iterator[str]:
    """Yield ids for who speaks on a topic, the best first: the last level that tells anything, then longer ones."""
    told: list[str] = []
    for level in reversed(topic.split("/")):
        telling = [word for word in re.split(r"[\W_]+", level) if word and word.lower() not in _SAYS_NOTHING]
        if not telling:
            continue
        told.insert(0, "-".join(telling) if decoder == "number" else re.sub(r"[\x00-\x1f#+]", "-", level))
        if not told[0].isdigit():
            yield "-".join(told)[:60]
    stem = ("-".join(told) or kind)[:56]
    yield from (stem if number == 1 else f"{stem}-{number}" for number in count(1))


def _named(
    proposal: Proposal, taken: set[str], vessels: list[str], topics: Iterable[Topic], now_ms: int
) -> Proposal:
    sensor = proposal.sensor
    quantities = {f.quantity for f in sensor.fields} or _said(proposal, topics, now_ms)
    kind = SensorKind.FLOAT if quantities & {Quantity.GRAVITY, Quantity.INCLINATION} else SensorKind.PROBE
    name = next(n for n in _names(proposal.topics[0], sensor.decoder, kind.value) if n not in taken)
    taken.add(name)
    vessel = vessels.pop(0) if kind is SensorKind.FLOAT and vessels else None
    remarks = list(proposal.remarks)
    if Quantity.INCLINATION in quantities and Quantity.GRAVITY not in quantities:
        remarks.append(f"{name} says how it leans: calibrate it next, see `mustwatch calibrate --help`")
    is_room = kind is SensorKind.PROBE
    return replace(
        proposal,
        sensor=replace(sensor, id=name, kind=kind, vessel=vessel, room=is_room),
        remarks=tuple(remarks),
    )


def _said(proposal: Proposal, topics: Iterable[Topic], now_ms: int) -> set[Quantity]:
    """Return the quantities that a SenML pack holds, by reading it."""
    samples = next((t.samples for t in topics if t.name == proposal.topics[0]), [])
    said: set[Quantity] = set()
    for payload in samples:
        readings, _ = read_as(replace(proposal.sensor, id="x"), proposal.topics[0], payload, now_ms)
        for reading in readings:
            said |= {q for q, value in zip(_ORDER, reading[3:8], strict=True) if value is not None}
    return said


_ORDER: Final = (
    Quantity.GRAVITY,
    Quantity.INCLINATION,
    Quantity.TEMPERATURE,
    Quantity.BATTERY,
    Quantity.SIGNAL,
)


def toml_of(proposal: Proposal) -> str:
    """Return the entry as text to copy into the configuration."""
    sensor = proposal.sensor
    lines = ["[[sensor]]", f"id = {quoted(sensor.id)}", f'kind = "{sensor.kind.value}"']
    if sensor.room:
        lines.append('room = true                # or: vessel = "NAME", if it hangs in the must')
    else:
        lines.append(
            f"vessel = {quoted(sensor.vessel or 'NAME')}"
            + ("" if sensor.vessel else "   # the [[vessel]] it floats in")
        )
    if sensor.topic:
        lines.append(f"topic = {quoted(sensor.topic)}")
    lines.append(f'decoder = "{sensor.decoder}"')
    if sensor.decoder == "json":
        inner = (
            f'{f.quantity.value} = {{ path = {quoted(f.path)}, unit = "{f.unit}" }}' for f in sensor.fields
        )
        lines.append(f"fields = {{ {', '.join(inner)} }}")
    elif sensor.decoder == "number":
        inner = (
            f'{f.quantity.value} = {{ topic = {quoted(topic)}, unit = "{f.unit}" }}'
            for topic, f in sensor.topics.items()
        )
        lines.append(f"fields = {{ {', '.join(inner)} }}")
    return "\n".join([*(f"# {shown(remark, 300)}" for remark in proposal.remarks), *lines])


def figures(reading: Reading) -> dict[str, Any]:
    """Return a reading's quantities under their names with units, those that were said."""
    names = ("gravity", "inclination_deg", "celsius", "battery_v", "signal_dbm")
    return {name: value for name, value in zip(names, reading[3:8], strict=True) if value is not None}
