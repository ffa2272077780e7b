"""Unwatched: a lot's vessel or sensor has gone from the configuration. Found by ``app.self_watch``."""

from dataclasses import dataclass

from mustwatch.watch.finding import About, Evidence, FindingKind


@dataclass(frozen=True, slots=True)
class Missing(Evidence):
    """What the configuration lacks, in words."""

    what: str


KIND = FindingKind("unwatched", About.WINE, Missing, is_of_lot=False)
