"""A cellar on a real store for tests: one vessel, one float, readings made by a simple law or by mustsim."""

import json
import math
from collections.abc import Iterable
from pathlib import Path

from mustwatch.alerting.message import MessageKind, written_message
from mustwatch.alerting.rules import TellRules
from mustwatch.cellar.book import Entry, Note, Start, What
from mustwatch.cellar.history import BEGINNING_MS, SensorStay
from mustwatch.cellar.instant import DAY_MS, MINUTE_MS
from mustwatch.cellar.profile import Profile
from mustwatch.cellar.reading import Reading
from mustwatch.cellar.sensor import Sensor, SensorKind
from mustwatch.cellar.vessel import Vessel, VesselKind
from mustwatch.config.plan import CellarPlan
from mustwatch.evaluation.live import Evaluation
from mustwatch.store.book import CalibrationPoints
from mustwatch.store.store import Store

T0 = 1_788_220_800_000
"""2026-09-01T00:00:00Z."""
FLOAT = Sensor("float", SensorKind.FLOAT, "senml", vessel="bucket", topic="cellar/float")
PLAN = CellarPlan(
    sensors={"float": FLOAT},
    vessels={
        "bucket": Vessel("bucket", VesselKind.BUCKET, 30.0),
        "carboy": Vessel("carboy", VesselKind.CARBOY, 23.0),
    },
    profile_for=lambda _: Profile(),
    rules=TellRules(),
)


def gravity_at(days: float) -> float:
    """Return an invented kit wine's gravity: 1.050, through 1.010 after about four days, ending at 0.995."""
    return 0.995 + 0.055 / (1.0 + math.exp(min(600.0, 1.6 * (days - 3.2))))


def readings(
    days: float, *, every_min: int = 15, noise: float = 0.0008, from_day: float = 0.0
) -> list[Reading]:
    """Return a float's readings, with a repeatable jitter standing in for noise."""
    count = int((days - from_day) * 24 * 60 / every_min)
    made = []
    for i in range(count):
        at_ms = T0 + int(from_day * DAY_MS) + i * every_min * MINUTE_MS
        jitter = noise * (((i * 7919) % 1000) / 500.0 - 1.0)
        gravity = gravity_at((at_ms - T0) / DAY_MS) + jitter
        temperature_c = 19.0 + 0.5 * math.sin(2 * math.pi * i * every_min / 1440)
        made.append(Reading("float", at_ms, at_ms + 1000, round(gravity, 4), None, round(temperature_c, 2)))
    return made


def entry(day: float, what: What, name: str = "", lot: str = "kit") -> Entry:
    """Return an entry of the lot's book."""
    at_ms = T0 + int(day * DAY_MS)
    return Entry(name or f"{what.kind}-{day}", lot, at_ms, at_ms, what)


def new_store(path: Path, *entries: Entry) -> Store:
    """Return a store with the float placed in the bucket and entries in the book."""
    store = Store(path, T0)
    store.book.configure_place(SensorStay("float", "bucket", BEGINNING_MS))
    for one in entries or (entry(0, Start("bucket", gravity=1.050, temperature_c=19.0)),):
        store.book.append(one)
    return store


def lived_store(path: Path, said: Iterable[Reading]) -> Path:
    """Make a store with something in each of its tables, and return where it is."""
    start = Start("bucket", gravity=1.050, temperature_c=19.0)
    store = new_store(path, entry(0, start), entry(1, Note("a note")))
    evaluate(store, [said])
    store.book.save_calibration(CalibrationPoints("float", T0, ((25.0, 1.0), (70.0, 1.11))))
    store.watching.keep("job:backup", "1")
    store.outbox.put([written_message(MessageKind.TEST, "phone", "t", "b", T0, DAY_MS)])
    store.close()
    return path


def evaluate(store: Store, batches: Iterable[Iterable[Reading]], now_ms: int | None = None) -> Evaluation:
    """Take readings in batches, each committed in a transaction, as the pipeline does."""
    evaluation = Evaluation(store, PLAN, now_ms or T0)
    evaluation.read_book()
    commit(store, evaluation, now_ms)
    for batch in batches:
        for reading in batch:
            evaluation.take(reading)
        commit(store, evaluation, now_ms)
    return evaluation


def commit(store: Store, evaluation: Evaluation, now_ms: int | None = None) -> None:
    """Commit what is pending."""
    evaluation.settle(now_ms or (store.readings.newest_ms() or T0) + 1000)


def conclusions(store: Store) -> str:
    """Return everything concluded that must not depend on the order in which things came: all but a sensor's own watch."""
    alerts = [
        (a.kind.name, a.severity.value, a.opened_ms, a.cleared_ms, a.subject.lot)
        for a in store.alerts.recent(-(2**62))
        if not a.is_withdrawn and a.kind.is_decided_by_lot(a.evidence)
    ]
    return json.dumps(
        {
            "estimates": store.watching.estimates("kit"),
            "findings": [(t.kind, t.change, t.at_ms, t.severity) for t in store.watching.findings("kit")],
            "alerts": sorted(alerts, key=str),
            "now": store.watching.now().get("kit"),
        },
        default=str,
    )
