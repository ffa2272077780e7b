"""The must's temperature: several sensors, each slot one value; steep changes and swings from a short memory."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from math import exp

from mustwatch.watch.constancy import Constancy
from mustwatch.watch.slots import SensorSlot

KEPT_SLOTS = 6
"""Slots remembered: a little over an hour, what a change per hour needs."""

DAY_MEMORY_MS = 16 * 3_600_000
"""Memory of the day's mean: most of the swing between day and night is averaged out, and a move seen within a day."""

HOUR_MS = 3_600_000
LATEST_HOUR_AGO_MS = 75 * 60_000
EARLIEST_HOUR_AGO_MS = 45 * 60_000


@dataclass(slots=True)
class Thermometer:
    """Fuses what the sensors of a slot say of temperature: the median of each, then the mean of the living.

    ``celsius`` is the must's temperature as last heard, ``day_c`` its mean over about a day before.
    """

    celsius: float | None = None
    day_c: float | None = None
    recent: list[tuple[int, float]] = field(default_factory=list)
    alive: dict[str, Constancy] = field(default_factory=dict)
    doubted: dict[str, int] = field(default_factory=dict)

    def doubt(self, sensors: Iterable[str], until_ms: int) -> None:
        """Believe none of these sensors until then: they were lifted out, and what was before is another vessel."""
        for sensor in sensors:
            self.doubted[sensor] = until_ms
        self.recent = []
        self.day_c = None

    def fuse(self, parts: dict[str, SensorSlot], end_ms: int) -> float | None:
        """Merge a slot's temperatures and return the must's temperature, or None if nobody said anything."""
        total = 0.0
        count = 0
        for sensor in parts if len(parts) == 1 else sorted(parts):
            values = parts[sensor].temperature
            n = len(values)
            if not n or (self.doubted and end_ms <= self.doubted.get(sensor, 0)):
                continue
            if n > 1:
                values.sort()
                value = values[n // 2][0] if n % 2 else 0.5 * (values[n // 2 - 1][0] + values[n // 2][0])
            else:
                value = values[0][0]
            alive = self.alive.get(sensor)
            if alive is None:
                alive = self.alive[sensor] = Constancy()
            alive.take(value, end_ms)
            if not alive.is_frozen:
                total += value
                count += 1
        if not count:
            return None
        self.celsius = celsius = total / count
        recent = self.recent
        if self.day_c is None or not recent:
            self.day_c = celsius
        else:
            self.day_c += (celsius - self.day_c) * (1.0 - exp((recent[-1][0] - end_ms) / DAY_MEMORY_MS))
        recent.append((end_ms, celsius))
        if len(recent) > KEPT_SLOTS:
            del recent[0]
        return celsius

    def change_per_hour(self) -> float | None:
        """Return the change over the hour up to the newest slot, °C, or None where that hour was not observed."""
        recent = self.recent
        end_ms, celsius = recent[-1]
        for at_ms, was_c in recent:
            age_ms = end_ms - at_ms
            if age_ms <= LATEST_HOUR_AGO_MS:
                return (celsius - was_c) * HOUR_MS / age_ms if age_ms >= EARLIEST_HOUR_AGO_MS else None
        return None
