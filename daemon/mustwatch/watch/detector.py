"""The detector: a small pure class that is shown each closed slot and says when its finding begins and ceases."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import ClassVar, Protocol

from mustwatch.watch.finding import Change, Evidence, FindingKind, Severity, Subject, Transition
from mustwatch.watch.slot_view import SlotView


class Detector(Protocol):
    """What every detector can do. A dataclass, whose fields are remembered, that never raises on missing data and
    never asks the time.

    ``judge`` is shown one closed slot and returns what began or ceased; ``open_findings`` what holds now.
    """

    kinds: ClassVar[tuple[FindingKind, ...]]

    def judge(self, view: SlotView) -> Iterable[Transition]:
        """Judge one closed slot."""
        ...

    def open_findings(self) -> Iterable[tuple[FindingKind, str | None, int]]:
        """Return what holds: kind, sensor (None for the lot) and since when."""
        ...

    def figures(self, view: SlotView) -> Iterable[tuple[FindingKind, str | None, Evidence]]:
        """Return what is to be said now of what holds: kind, sensor (None for the lot), newest values, worst so far."""
        ...


NOTHING: tuple[Transition, ...] = ()
NO_EVIDENCE = Evidence()


@dataclass(slots=True)
class Latch:
    """One finding about one subject: raised once, cleared once, raised again only at another severity."""

    kind: FindingKind
    severity: Severity | None = None
    since_ms: int = 0

    def set(
        self, at_ms: int, subject: Subject, severity: Severity, evidence: Evidence
    ) -> tuple[Transition, ...]:
        """Raise the finding, or say that it now holds at another severity."""
        if self.severity is severity:
            return NOTHING
        if self.severity is None:
            self.since_ms = at_ms
        self.severity = severity
        return (Transition(self.kind, Change.RAISED, at_ms, severity, subject, evidence.figures()),)

    def clear(self, at_ms: int, subject: Subject, evidence: Evidence = NO_EVIDENCE) -> tuple[Transition, ...]:
        """Clear the finding if it holds."""
        severity = self.severity
        if severity is None:
            return NOTHING
        self.severity = None
        return (Transition(self.kind, Change.CLEARED, at_ms, severity, subject, evidence.figures()),)


@dataclass(slots=True)
class OneLatch:
    """A detector of one kind of finding about the lot; what else it remembers are fields of its own."""

    kinds: ClassVar[tuple[FindingKind, ...]]
    latch: Latch = field(init=False)

    def __post_init__(self) -> None:
        self.latch = Latch(self.kinds[0])

    def open_findings(self) -> Iterable[tuple[FindingKind, str | None, int]]:
        """Return what holds."""
        if self.latch.severity is not None:
            yield self.latch.kind, None, self.latch.since_ms

    def figures(self, view: SlotView) -> Iterable[tuple[FindingKind, str | None, Evidence]]:
        """Return what is to be said now of what holds."""
        if self.latch.severity is not None:
            yield self.latch.kind, None, self.evidence(view)

    def evidence(self, view: SlotView) -> Evidence:
        """Return the figures of the finding as of a closed slot, durations since it began."""
        raise NotImplementedError


@dataclass(slots=True)
class LatchPerFloat:
    """A detector of one kind of finding about each float of the lot."""

    kinds: ClassVar[tuple[FindingKind, ...]]
    latches: dict[str, Latch] = field(default_factory=dict)

    def latch(self, sensor: str) -> Latch:
        """Return a float's latch."""
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
            if sensor is not None and (evidence := self.evidence(view, sensor)) is not None:
                yield kind, sensor, evidence

    def evidence(self, view: SlotView, sensor: str) -> Evidence | None:
        """Return the figures of the finding about a float as of a closed slot, None where nothing is known."""
        raise NotImplementedError


def of_float(view: SlotView, sensor: str) -> Subject:
    """Return a float of the lot as the subject of a finding."""
    return Subject(view.subject.lot, view.subject.vessel, sensor)
