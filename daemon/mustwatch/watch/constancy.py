"""Is a sensor alive? A run of identical values is judged against the longest run that sensor has shown before."""

from dataclasses import dataclass

SLOWEST_FIRST_MS = 12 * 3_600_000
"""A run shorter than half a day never counts: a still cellar and a coarse scale can hold a value that long."""

SLOWEST_UNKNOWN_MS = 48 * 3_600_000
"""The same for a sensor that has shown no other value yet: how coarse it is is not known."""

SLOWEST_RESTING_MS = 72 * 3_600_000
"""The same while what it measures stands still by nature: a must before its onset, a wine that has settled."""

LONGER_THAN_BEFORE = 4
"""A run must outlast the longest run seen before by this factor: what a coarse sensor did once it may do again."""

SUSPECT_MS = 2 * 3_600_000
"""A run of two hours, twice the longest before, is not believed meanwhile: the estimate coasts."""

SUSPECT_FACTOR = 2

FEWEST = 24
"""A run must hold at least this many readings: two readings twelve hours apart prove nothing."""


@dataclass(slots=True)
class Constancy:
    """Follows the run of identical values of one quantity of one sensor.

    ``longest_ms`` is 0 until the sensor has shown another value.
    ``is_frozen`` holds from the moment the run is longer than ``SLOWEST_FIRST_MS`` (or what stands in for it) and
    ``LONGER_THAN_BEFORE`` times the longest run before it, until the value changes. ``is_resting`` says that what is
    measured stands still, as far as is known.
    """

    value: float | None = None
    since_ms: int = 0
    count: int = 0
    longest_ms: int = 0
    is_frozen: bool = False
    is_resting: bool = False

    def take(self, value: float, at_ms: int) -> None:
        """Take the next value in time order."""
        if value == self.value:
            self.count += 1
            if not self.is_frozen:
                run = at_ms - self.since_ms
                if run >= SLOWEST_FIRST_MS and self.count >= FEWEST and run > self.patience_ms():
                    self.is_frozen = True
            return
        if self.value is not None and not self.is_frozen:
            run = at_ms - self.since_ms if self.count > 1 else 1
            if run > self.longest_ms:
                self.longest_ms = run
        self.value = value
        self.since_ms = at_ms
        self.count = 1
        self.is_frozen = False

    def patience_ms(self) -> int:
        """Return how long a run may last before it is too long."""
        least = SLOWEST_FIRST_MS if self.longest_ms else SLOWEST_UNKNOWN_MS
        if self.is_resting:
            least = SLOWEST_RESTING_MS
        return max(least, LONGER_THAN_BEFORE * self.longest_ms)

    def is_suspect(self, at_ms: int) -> bool:
        """Return whether the run is already too long to be believed, though not yet long enough to be told."""
        run = at_ms - self.since_ms
        if self.is_resting:
            return False
        return run >= SUSPECT_MS and run > SUSPECT_FACTOR * self.longest_ms and self.count >= FEWEST // 3
