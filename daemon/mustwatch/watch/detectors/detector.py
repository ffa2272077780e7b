"""The detector: a small pure class that is shown each closed slot and says when its finding begins and ceases."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import ClassVar, Protocol

from mustwatch.watch.detectors.slot_view import SlotView
from mustwatch.watch.finding import Change, FindingKind, Severity, Subject, Transition

Evidence = Mapping[str, float | int | str | None]


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
        return (Transition(self.kind, Change.RAISED, at_ms, severity, subject, evidence),)

    def clear(self, at_ms: int, subject: Subject, evidence: Evidence) -> tuple[Transition, ...]:
        """Clear the finding if it holds."""
        severity = self.severity
        if severity is None:
            return NOTHING
        self.severity = None
        return (Transition(self.kind, Change.CLEARED, at_ms, severity, subject, evidence),)


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
