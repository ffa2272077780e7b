"""The detector: a small pure class that is shown each closed slot and says when its finding begins and ceases."""

from collections.abc import Iterable, Mapping
from typing import Any, ClassVar, Protocol

from mustwatch.watch.detectors.slot_view import SlotView
from mustwatch.watch.finding import Change, FindingKind, Severity, Subject, Transition

Evidence = Mapping[str, float | int | str | None]


class Detector(Protocol):
    """What every detector can do. A detector keeps its own state, never raises on missing data, never asks the time.

    ``step`` is shown one closed slot and returns what began or ceased; ``open_findings`` what holds now.
    """

    kinds: ClassVar[tuple[FindingKind, ...]]

    def step(self, view: SlotView) -> Iterable[Transition]:
        """Judge one closed slot."""
        ...

    def open_findings(self) -> Iterable[tuple[FindingKind, str | None, int]]:
        """Return what holds: kind, sensor (None for the lot) and since when."""
        ...

    def snapshot(self) -> list[Any]:
        """Return the state as a JSON-able list."""
        ...

    def load(self, state: list[Any]) -> None:
        """Take over the state a snapshot described."""
        ...


NOTHING: tuple[Transition, ...] = ()


class Latch:
    """One finding about one subject: raised once, cleared once, raised again only at another severity."""

    __slots__ = ("kind", "severity", "since_ms")

    def __init__(self, kind: FindingKind) -> None:
        self.kind = kind
        self.severity: Severity | None = None
        self.since_ms = 0

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

    def snapshot(self) -> list[Any]:
        """Return the state as a JSON-able list."""
        return [None if self.severity is None else self.severity.value, self.since_ms]

    def load(self, state: list[Any]) -> None:
        """Take over the state a snapshot described."""
        severity, self.since_ms = state
        self.severity = None if severity is None else Severity(severity)


class OneLatch:
    """A detector of one kind of finding about the lot, with further numbers of its own in ``memory``.

    ``memory`` names the attributes a snapshot carries beside the latch.
    """

    kinds: ClassVar[tuple[FindingKind, ...]]
    memory: ClassVar[tuple[str, ...]] = ()

    def __init__(self) -> None:
        self.latch = Latch(self.kinds[0])

    def open_findings(self) -> Iterable[tuple[FindingKind, str | None, int]]:
        """Return what holds."""
        if self.latch.severity is not None:
            yield self.latch.kind, None, self.latch.since_ms

    def snapshot(self) -> list[Any]:
        """Return the state as a JSON-able list."""
        return [self.latch.snapshot(), *(getattr(self, name) for name in self.memory)]

    def load(self, state: list[Any]) -> None:
        """Take over the state a snapshot described."""
        self.latch.load(state[0])
        for name, value in zip(self.memory, state[1:], strict=True):
            setattr(self, name, value)
