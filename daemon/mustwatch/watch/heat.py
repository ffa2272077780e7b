"""Heat that kills yeast: few cells are left to finish the ferment, and its tail may crawl for weeks."""

from dataclasses import dataclass

HOT_C = 34.0
"""From here on yeast dies within hours. Source: trade guidance (34.4 °C), common practice, less what a thermometer may
be off by."""

HARMFUL_MS = 4 * 3_600_000
"""So long above it, in all, and the ferment has to be taken for a crippled one (own estimate)."""

SPEAKS_FOR_MS = 3_600_000
"""One temperature stands for no longer than this."""


@dataclass(slots=True)
class Heat:
    """For how long the must has been hot since the yeast was pitched; ``is_harmful`` once that was too long."""

    hot_ms: int = 0
    is_harmful: bool = False

    def take(self, celsius: float, since_ms: int) -> bool:
        """Take in a temperature after so many milliseconds; returns whether the heat has just become harmful."""
        if celsius < HOT_C or self.is_harmful:
            return False
        self.hot_ms += min(since_ms, SPEAKS_FOR_MS)
        self.is_harmful = self.hot_ms >= HARMFUL_MS
        return self.is_harmful

    def begin_anew(self) -> None:
        """Forget it: living yeast was added."""
        self.hot_ms = 0
        self.is_harmful = False
