"""Broker trouble: what the broker was to keep for us may be lost, or somebody else's. Found by ``app.self_watch``."""

from dataclasses import dataclass

from mustwatch.cellar.quantities import Instant
from mustwatch.watch.finding import About, Evidence, FindingKind


@dataclass(frozen=True, slots=True)
class Session(Evidence):
    """What became of our session (``lost``, ``contested``), and since when readings may be missing."""

    what: str
    missing_since_ms: Instant | None = None


KIND = FindingKind("broker-trouble", About.DAEMON, Session, is_of_lot=False)
