"""What is wrong with a float: it repeats one value, or it disagrees with the hydrometer."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import ClassVar

from mustwatch.watch.detectors.detector import Evidence, Latch
from mustwatch.watch.detectors.slot_view import SlotView
from mustwatch.watch.finding import FindingKind, Severity, Subject, Transition

HOUR_MS = 3_600_000


@dataclass(slots=True)
class _PerFloat:
    """A detector with one latch for each float."""

    kinds: ClassVar[tuple[FindingKind, ...]]

    latches: dict[str, Latch] = field(default_factory=dict)

    def _latch(self, sensor: str) -> Latch:
        latch = self.latches.get(sensor)
        if latch is None:
            latch = self.latches[sensor] = Latch(self.kinds[0])
        return latch

    def open_findings(self) -> Iterable[tuple[FindingKind, str | None, int]]:
        """Return what holds."""
        for sensor, latch in self.latches.items():
            if latch.severity is not None:
                yield latch.kind, sensor, latch.since_ms

    def figures(self, view: SlotView) -> Iterable[tuple[FindingKind, str | None, Evidence]]:
        """Return what is to be said now of what holds."""
        for kind, sensor, _ in self.open_findings():
            if sensor is not None and (evidence := self.evidence(view, sensor)):
                yield kind, sensor, evidence

    def evidence(self, view: SlotView, sensor: str) -> Evidence:
        """Return the figures of the finding about a float as of a closed slot."""
        raise NotImplementedError


def _subject(view: SlotView, sensor: str) -> Subject:
    return Subject(view.subject.lot, view.subject.vessel, sensor)


@dataclass(slots=True)
class FloatFrozen(_PerFloat):
    """A float repeats one and the same gravity far longer than it ever did before.

    Judged against the float's own longest run, so that a coarse scale is not taken for a fault; cleared by the first
    other value. While it holds, and from a sixth of that time on, the float's gravity is not believed.
    """

    kinds: ClassVar[tuple[FindingKind, ...]] = (FindingKind.FLOAT_FROZEN,)

    def judge(self, view: SlotView) -> Iterable[Transition]:
        """Judge one closed slot."""
        told: list[Transition] = []
        for sensor, track in view.estimator.floats.items():
            alive = track.constancy
            latch = self.latches.get(sensor)
            if alive.is_frozen:
                told += self._latch(sensor).set(
                    view.at_ms, _subject(view, sensor), Severity.WARNING, self.evidence(view, sensor)
                )
            elif latch is not None and latch.severity is not None:
                told += latch.clear(view.at_ms, _subject(view, sensor), {"gravity": alive.value})
        return told

    def evidence(self, view: SlotView, sensor: str) -> Evidence:
        """Return the value, and for how long the float has repeated it."""
        track = view.estimator.floats.get(sensor)
        if track is None:
            return {}
        alive = track.constancy
        hours = round((view.at_ms - alive.since_ms) / HOUR_MS, 1)
        return {"gravity": alive.value, "hours_constant": hours, "readings_constant": alive.count}


@dataclass(slots=True)
class FloatAdrift(_PerFloat):
    """A float disagrees with the hydrometer by more than both their errors allow.

    Judged at each hydrometer check, against what the float was believed to be off by before; cleared by a later check
    that agrees, or by a re-anchoring. The estimate follows the hydrometer either way.
    """

    kinds: ClassVar[tuple[FindingKind, ...]] = (FindingKind.FLOAT_ADRIFT,)

    checked: dict[str, Evidence] = field(default_factory=dict)

    def judge(self, view: SlotView) -> Iterable[Transition]:
        """Judge one closed slot."""
        estimator = view.estimator
        told: list[Transition] = []
        for sensor in estimator.reanchored:
            told += self._latch(sensor).clear(view.at_ms, _subject(view, sensor), {})
        for sensor, (apart, checked) in estimator.checks.items():
            evidence = {
                "gravity_float": round(checked + apart, 4),
                "gravity_hydrometer": round(checked, 4),
                "gravity_apart": round(apart, 4),
            }
            self.checked[sensor] = evidence
            latch, subject = self._latch(sensor), _subject(view, sensor)
            if estimator.floats[sensor].is_adrift:
                told += latch.set(view.at_ms, subject, Severity.WARNING, evidence)
            else:
                told += latch.clear(view.at_ms, subject, evidence)
        return told

    def evidence(self, view: SlotView, sensor: str) -> Evidence:
        """Return what the float and the hydrometer said at the last check."""
        return self.checked.get(sensor, {})
