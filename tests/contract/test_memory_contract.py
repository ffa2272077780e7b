"""What a lot's watch remembers: every field of it, or declared not to be; and a restored watch is the watch.

A field that is declared ``TRANSIENT`` is named here too, so that none is forgotten by a slip.
"""

from collections.abc import Iterator
from dataclasses import MISSING, dataclass, fields, is_dataclass
from typing import Any

import pytest

from mustwatch.cellar.book import Addition, Entry, Measurement, Racking, Reanchor, Start
from mustwatch.cellar.profile import Profile
from mustwatch.cellar.sensor import Sensor, SensorKind
from mustwatch.watch import lot_watch
from mustwatch.watch.detector import OneLatch
from mustwatch.watch.enrolled import ENROLLED
from mustwatch.watch.finding import FindingKind
from mustwatch.watch.lot_watch import LotWatch, SnapshotOutdatedError
from mustwatch.watch.memory import TRANSIENT, version_of
from mustwatch.watch.observation import Observation
from mustwatch.watch.sensor_watch import SensorWatch
from mustwatch.watch.slots import SLOT_MS

BEGIN_MS = 1_790_000_100_000 // SLOT_MS * SLOT_MS
HOUR_MS = 3_600_000

TRANSIENTS = {
    "LotWatch": {"profile", "is_night", "_slot", "_entries", "_book"},
    "LotEstimator": {"settled_hours", "heard", "checks", "reanchored"},
    "SlotView": {
        *("profile", "estimator", "at_ms", "band", "is_night", "celsius", "change_per_hour", "heard"),
    },
    "SensorWatch": {"sensor", "_changed"},
    "LotMissing": {"sensor", "_is_news"},
}
"""Handed in when the watch is made, or set anew in every slot."""


def entry(hour: float, what: Any) -> Entry:
    """Return an entry of the book."""
    at_ms = BEGIN_MS + round(hour * HOUR_MS)
    return Entry(f"{hour}", "lot", at_ms, at_ms, what)


def lived_through() -> LotWatch:
    """Return the watch of a lot that had everything happen to it: two floats, a check, a racking, sugar, a hanging."""
    watch = LotWatch("lot", "bucket", Profile(), BEGIN_MS)
    watch.enter(entry(0.0, Start("bucket", gravity=1.080, litres=20.0)))
    done = {
        90.0: Measurement(1.030),
        120.0: Racking("carboy", "bucket"),
        150.0: Addition("sugar", 100.0, "g", sugar_g=100.0),
        160.0: Reanchor("float", -0.001),
    }
    for i in range(4 * 200):
        hour = i / 4
        if hour in done:
            watch.enter(entry(hour, done[hour]))
        gravity = 1.080 - 0.0006 * min(max(hour - 24.0, 0.0), 130.0) + 0.0007 * (i * 7 % 5 - 2)
        at_ms = BEGIN_MS + i * SLOT_MS + 9
        watch.observe(Observation(at_ms, "float", "bucket", round(gravity, 4), None, 20.0 + 0.3 * (i % 50)))
        if i % 3 == 0:
            watch.observe(Observation(at_ms, "other", "bucket", round(gravity + 0.002, 4), 0.001, None))
    return watch


def objects(of: Any, place: str) -> Iterator[tuple[str, Any]]:
    """Yield every object of the watch that remembers anything, with where it stands."""
    if isinstance(of, FindingKind):
        return  # a constant, remembered by its name
    if is_dataclass(of) and type(of).__module__.startswith("mustwatch.watch"):
        yield place, of
        for f in fields(of):
            if f.metadata != TRANSIENT:
                yield from objects(getattr(of, f.name), f"{place}.{f.name}")
    elif isinstance(of, dict):
        for key, value in of.items():
            yield from objects(value, f"{place}.{key}")
    elif isinstance(of, list):
        for i, value in enumerate(of):
            yield from objects(value, f"{place}.{i}")


def every_object() -> list[tuple[str, Any]]:
    """Return all of a lot's watch and a sensor's."""
    sensor = SensorWatch(Sensor("probe", SensorKind.PROBE, "senml"))
    return [*objects(lived_through(), "lot"), *objects(sensor, "sensor")]


def test_every_attribute_is_a_field_and_every_field_is_remembered_or_named_here() -> None:
    kept = every_object()
    assert {"FloatTrack", "GravityFilter", "TailModel", "Constancy", "Latch", "Hanging", "Heat"} <= {
        type(of).__name__ for _, of in kept
    }
    for place, of in kept:
        slots = {name for cls in type(of).__mro__ for name in getattr(cls, "__slots__", ())}
        assert slots == {f.name for f in fields(of)}, place
        assert not hasattr(of, "__dict__"), place
        forgotten = {f.name for f in fields(of) if f.metadata == TRANSIENT}
        assert forgotten == TRANSIENTS.get(type(of).__name__, set()), place


def test_a_restored_watch_remembers_all_the_watch_did() -> None:
    watch = lived_through()
    again = dict(objects(LotWatch.restore(watch.snapshot(), Profile()), "lot"))
    moved = set()
    for place, of in objects(watch, "lot"):
        assert type(again[place]) is type(of), place
        for f in fields(of):
            value = getattr(of, f.name)
            if f.metadata != TRANSIENT:
                assert _plain(getattr(again[place], f.name)) == _plain(value), f"{place}.{f.name}"
                if f.default is MISSING or value != f.default:
                    moved.add(f"{type(of).__name__}.{f.name}")
    # The test means something only where a value is not the one that a new watch begins with.
    assert len(moved) > 80


def _plain(value: Any) -> Any:
    return None if is_dataclass(value) else value


@dataclass(slots=True)
class Another(OneLatch):
    """A detector that another house has."""

    kinds = ENROLLED[0].kinds
    memory: int = 0

    def judge(self, view: object) -> tuple[()]:
        """Find nothing."""
        return ()


@pytest.mark.parametrize("house", [(*ENROLLED, Another), ENROLLED[:-1], ENROLLED[1:]])
def test_a_snapshot_of_a_house_with_other_detectors_is_outdated(
    house: tuple[Any, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as there:
        there.setattr(lot_watch, "ENROLLED", house)
        there.setattr(lot_watch, "VERSION", version_of(LotWatch, *house))
        snapshot = lived_through().snapshot()
        assert LotWatch.restore(snapshot, Profile()).snapshot() == snapshot

    with pytest.raises(SnapshotOutdatedError):
        LotWatch.restore(snapshot, Profile())


def test_detectors_are_found_by_name_whatever_their_order(monkeypatch: pytest.MonkeyPatch) -> None:
    with monkeypatch.context() as there:
        there.setattr(lot_watch, "ENROLLED", ENROLLED[::-1])
        snapshot = lived_through().snapshot()

    assert LotWatch.restore(snapshot, Profile()).open_findings()
    assert sorted(LotWatch.restore(snapshot, Profile()).open_findings()) == sorted(
        lived_through().open_findings()
    )
