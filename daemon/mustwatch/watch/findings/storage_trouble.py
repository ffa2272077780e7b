"""``storage-trouble``: one finding for everything that can be wrong with the storage, each part noted by itself."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

from mustwatch.cellar.quantities import Megabytes
from mustwatch.watch.finding import (
    RANK,
    About,
    Change,
    Evidence,
    Figures,
    FindingKind,
    Severity,
    Subject,
    Transition,
)


class Part(StrEnum):
    """A part of the storage. The wording of the alert goes by it."""

    CARD = "card"
    """The store cannot be written."""
    ROOM = "room"
    """The card is nearly full."""
    FILE = "file"
    """The store's file was damaged and set aside."""
    ROWS = "rows"
    """Rows of the store could not be read, and were set aside."""
    GONE = "gone"
    """The store's file was not there any more, and a backup was put in its place."""
    BACKUP = "backup"
    """The backup could not be made."""
    MIRROR = "mirror"
    """The InfluxDB mirror cannot be written."""


class StorageTrouble(NamedTuple):
    """What is wrong with one part of the storage, in a few words, how bad, and the room left where that matters."""

    what: str
    severity: Severity = Severity.WARNING
    free_mb: int | None = None


def rows_trouble(broken: Sequence[object]) -> StorageTrouble | None:
    """Return the trouble that rows set aside are, each saying which it is; None without any."""
    if not broken:
        return None
    more = f", and {len(broken) - 2} more" if len(broken) > 2 else ""
    return StorageTrouble("; ".join(map(str, broken[:2])) + more, Severity.URGENT)


@dataclass(frozen=True, slots=True)
class Worst(Evidence):
    """The part that is worst off, what is wrong with it, and the room left where that matters."""

    part: str
    what: str
    free_mb: Megabytes | None = None


KIND = FindingKind("storage-trouble", About.DAEMON, Worst, is_of_lot=False)


class StorageTroubles:
    """What holds, by part. The finding stands while any part is in trouble, at the worst one's severity."""

    def __init__(self, standing: tuple[Severity, Figures] | None = None) -> None:
        """Begin.

        Args:
            standing: severity and evidence of the alert left open by a former run. It stays open until its part is
                known to be well: silence is not good news.
        """
        self._troubles: dict[str, StorageTrouble] = {}
        self._severity: Severity | None = None
        if standing is not None:
            self._severity, evidence = standing
            part = str(evidence.get("part") or Part.CARD)
            self._troubles[part] = StorageTrouble(str(evidence.get("what") or ""), self._severity)

    def note(self, part: Part, trouble: StorageTrouble | None, now_ms: int) -> list[Transition]:
        """Return what that changes about the finding."""
        if trouble is None:
            self._troubles.pop(part, None)
        else:
            self._troubles[part] = trouble
        if not self._troubles:
            if self._severity is None:
                return []
            cleared, self._severity = self._severity, None
            return [Transition(KIND, Change.CLEARED, now_ms, cleared, Subject())]
        worst_part, worst = max(self._troubles.items(), key=lambda item: RANK[item[1].severity])
        if worst.severity is self._severity:
            return []
        self._severity = worst.severity
        free_mb = None if worst.free_mb is None else Megabytes(worst.free_mb)
        evidence = Worst(str(worst_part), worst.what, free_mb).figures()
        return [Transition(KIND, Change.RAISED, now_ms, worst.severity, Subject(), evidence)]
