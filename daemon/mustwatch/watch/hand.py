"""A lot watched by the hydrometer alone: equal checks days apart, as the trade has always done it."""

from dataclasses import dataclass, field

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS

EQUAL_WITHIN = 0.001
"""Two checks are equal when they differ by no more than one reading error of a hydrometer (common practice)."""

EQUAL_PER_DAY = 0.0005
EQUAL_AT_MOST = 0.002
"""Checks many days apart may differ by so much a day, a division of a common hydrometer in all: less than the rate at
which two checks in two days still count as equal."""

KEPT = 8
"""Checks remembered: more than anybody makes within the days that matter."""


@dataclass(slots=True)
class HandChecks:
    """The last hydrometer checks of a lot, and for how long they have been equal."""

    checks: list[tuple[int, float]] = field(default_factory=list)

    def take(self, at_ms: int, gravity: float) -> None:
        """Take in one check, in time order."""
        self.checks.append((at_ms, gravity))
        if len(self.checks) > KEPT:
            del self.checks[0]

    def begin_anew(self) -> None:
        """Forget what was before: something was added."""
        self.checks = []

    def equal_hours(self) -> float:
        """Return over how many hours, up to the last check, all checks were equal."""
        if not self.checks:
            return 0.0
        last_ms, last = self.checks[-1]
        since_ms, low, high = last_ms, last, last
        for at_ms, gravity in reversed(self.checks):
            low, high = min(low, gravity), max(high, gravity)
            slowly = min(EQUAL_AT_MOST, EQUAL_PER_DAY * (last_ms - at_ms) / DAY_MS)
            if high - low > max(EQUAL_WITHIN, slowly) + 1e-9:
                break
            since_ms = at_ms
        return (last_ms - since_ms) / HOUR_MS
