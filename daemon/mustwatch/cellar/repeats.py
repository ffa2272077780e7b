"""The same entry twice: a form sent again, a command typed again. It is asked about, because two equal checks say more
than one."""

from collections.abc import Iterable
from dataclasses import replace

from mustwatch.cellar.book import Entry, Measurement, Racking, What
from mustwatch.cellar.instant import MINUTE_MS
from mustwatch.cellar.measures import Measures
from mustwatch.cellar.refusal import Reason, Refusal, RefusalKind

WITHIN_MS = MINUTE_MS
"""Nobody draws, degases and reads two samples within a minute (common practice)."""
SAME_GRAVITY = 0.0005
"""A reading that was corrected by the sensors' temperature of another second differs by less."""


def repeats(entry: Entry, entries: Iterable[Entry], measures: Measures) -> list[Refusal]:
    """Return the refusal of an entry that says what another of its lot says, done within a minute of it."""
    for other in entries:
        if abs(other.at_ms - entry.at_ms) < WITHIN_MS and _says_the_same(other.what, entry.what):
            line = (
                f"the book has the same {entry.kind} of {entry.lot!r} already, done "
                f'{measures.written(other.at_ms)}: if it was done twice, take it with --despite "reason"'
            )
            return [Refusal(RefusalKind.DOUBTFUL, Reason.REPEATED, line)]
    return []


def _says_the_same(one: What, other: What) -> bool:
    if isinstance(one, Measurement | Racking) and type(one) is type(other):
        assert isinstance(other, Measurement | Racking)  # noqa: S101 - of one type with ``one``
        apart = abs((one.gravity or 0.0) - (other.gravity or 0.0))
        return apart < SAME_GRAVITY and _bare(one) == _bare(other)
    return one == other


def _bare(what: Measurement | Racking) -> Measurement | Racking:
    """Return a reading without what it was corrected by."""
    return replace(what, gravity=None, temperature_c=None)
