"""Instants: aware UTC datetimes at the borders, integer milliseconds since the Unix epoch on the hot path.

A name ending in ``_at`` is an aware datetime; one ending in ``_ms`` is an ``int``, milliseconds since
1970-01-01T00:00:00Z. Nothing here (or anywhere above the line) asks what time it is.
"""

from datetime import UTC, datetime, timedelta

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MILLISECOND = timedelta(milliseconds=1)

SECOND_MS = 1_000
MINUTE_MS = 60_000
HOUR_MS = 3_600_000
DAY_MS = 86_400_000


def to_ms(at: datetime) -> int:
    """Return an aware datetime as milliseconds since the epoch (rounded down).

    Raises:
        ValueError: the datetime is naive; an instant without an offset is ambiguous.
    """
    if at.tzinfo is None:
        raise ValueError(
            f"instant without an offset: {at.isoformat()}; expected e.g. 2026-09-01T18:00:00+02:00"
        )
    return (at - EPOCH) // _MILLISECOND


def from_ms(ms: int) -> datetime:
    """Return milliseconds since the epoch as an aware UTC datetime."""
    return EPOCH + timedelta(milliseconds=ms)


def iso(ms: int | None) -> str | None:
    """Return milliseconds since the epoch as ISO 8601 with offset, or None for None."""
    return None if ms is None else from_ms(ms).isoformat(timespec="milliseconds" if ms % 1000 else "seconds")
