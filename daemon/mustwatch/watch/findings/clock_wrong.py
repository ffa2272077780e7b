"""Clock wrong: the daemon's own clock is known to be behind. Found by ``app.self_watch``."""

from dataclasses import dataclass

from mustwatch.cellar.quantities import Seconds
from mustwatch.watch.finding import About, Evidence, FindingKind


@dataclass(frozen=True, slots=True)
class Off(Evidence):
    """By how much, where that is known."""

    seconds_off: Seconds | None = None


KIND = FindingKind("clock-wrong", About.DAEMON, Off, is_of_lot=False)
