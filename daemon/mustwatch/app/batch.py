"""What the pipeline takes, gathers and counts, and how it waits after a transaction that failed."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Protocol

from mustwatch.ingest.arrival import Arrival
from mustwatch.store.readings import Unreadable

RETRY_FIRST_S, RETRY_MOST_S = 1.0, 60.0
"""Pauses after a failed transaction double from the first to this."""
LOG_EVERY_S = 30.0
"""A trouble that lasts is logged this often."""


class Source(Protocol):
    """Where arrivals come from, and where their acknowledgements go."""

    def receive(self, most: int, timeout_s: float) -> list[Arrival]:
        """Return the next arrivals, at most ``most``; none if none came in time."""
        ...

    def wake(self) -> None:
        """Let whoever waits in ``receive``, or waits there next, come back at once."""
        ...

    @property
    def is_connected(self) -> bool:
        """Say whether the broker sends to us now."""
        ...

    def acknowledge(self, arrivals: Sequence[Arrival]) -> None:
        """Release the broker's copies."""
        ...


@dataclass(slots=True)
class Counters:
    """What went through since the start; read by ``/metrics``."""

    arrivals: int = 0
    stored: int = 0
    duplicates: int = 0
    quarantined: int = 0
    ignored: int = 0
    commits: int = 0
    failed_commits: int = 0
    messages: int = 0
    lag_ms: int = 0


@dataclass(slots=True)
class Batch:
    """Arrivals that are committed together, what of them could not be read, and since when they wait."""

    arrivals: list[Arrival] = field(default_factory=list)
    unreadable: list[Unreadable] = field(default_factory=list)
    ignored: int = 0
    begun_mono_s: float = 0.0


class Backoff:
    """When a transaction that failed is tried again, and whether it is time to say so. Seconds of a monotonic clock."""

    def __init__(self) -> None:
        """Begin well."""
        self._pause_s = 0.0
        self._until_mono_s = 0.0
        self._logged_mono_s = -LOG_EVERY_S

    @property
    def is_on(self) -> bool:
        """Say whether the last try failed."""
        return self._pause_s > 0.0

    def failed(self, mono_s: float) -> bool:
        """Note that a try failed; return whether to log it."""
        self._pause_s = min(RETRY_MOST_S, max(RETRY_FIRST_S, self._pause_s * 2))
        self._until_mono_s = mono_s + self._pause_s
        is_said = mono_s - self._logged_mono_s >= LOG_EVERY_S
        if is_said:
            self._logged_mono_s = mono_s
        return is_said

    def left_s(self, mono_s: float) -> float:
        """Return how long to wait still; 0 or less: try again."""
        return self._until_mono_s - mono_s

    def well(self) -> None:
        """Note that a try went well."""
        self._pause_s = 0.0
