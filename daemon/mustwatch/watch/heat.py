"""Heat that kills yeast: few cells are left to finish the ferment, and its tail may crawl for weeks."""

HOT_C = 34.0
"""From here on yeast dies within hours. Source: trade guidance (34.4 °C), common practice, less what a thermometer may
be off by."""

HARMFUL_MS = 4 * 3_600_000
"""So long above it, in all, and the ferment has to be taken for a crippled one (own estimate)."""

SPEAKS_FOR_MS = 3_600_000
"""One temperature stands for no longer than this."""


class Heat:
    """For how long the must has been hot since the yeast was pitched; ``is_harmful`` once that was too long."""

    __slots__ = ("hot_ms", "is_harmful")

    def __init__(self) -> None:
        self.hot_ms = 0
        self.is_harmful = False

    def take(self, celsius: float, since_ms: int) -> bool:
        """Take in a temperature after so many milliseconds; returns whether the heat has just become harmful."""
        if celsius < HOT_C or self.is_harmful:
            return False
        self.hot_ms += min(since_ms, SPEAKS_FOR_MS)
        self.is_harmful = self.hot_ms >= HARMFUL_MS
        return self.is_harmful

    def begin_anew(self) -> None:
        """Forget it: living yeast was added."""
        self.load(0)

    def load(self, hot_ms: int) -> None:
        """Take over from a snapshot for how long it was hot."""
        self.hot_ms = hot_ms
        self.is_harmful = hot_ms >= HARMFUL_MS
