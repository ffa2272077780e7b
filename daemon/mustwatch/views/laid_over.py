"""Two to four lots laid over each other by the day since pitching: how they fell, how warm they were, what was done."""

from collections.abc import Sequence
from typing import Any

from mustwatch.cellar.book import Note, Start, Tasting
from mustwatch.cellar.history import LotHistory
from mustwatch.cellar.instant import DAY_MS, iso
from mustwatch.cellar.strength import checks
from mustwatch.config.plan import measures_of
from mustwatch.config.settings import Settings
from mustwatch.store.store import Store
from mustwatch.views.book_words import what_was_done
from mustwatch.views.curves import estimate_curves
from mustwatch.views.series import Point

POINTS = 400


def laid_over(
    store: Store, settings: Settings, lots: Sequence[LotHistory], now_ms: int, until_day: float | None = None
) -> dict[str, Any]:
    """Return each lot's gravity (20/20) and temperature (°C) by days since pitching, and what was done on which day.

    ``until_day``: only the days before it; None: until the last of them was bottled or stands now.
    """
    ends = [lot.started_ms + int(until_day * DAY_MS) if until_day else lot.ended_ms or now_ms for lot in lots]
    longest = max((end - lot.started_ms) / DAY_MS for lot, end in zip(lots, ends, strict=True))
    return {
        "days": round(max(longest, 1.0), 2),
        "lots": [_curves(store, lot, end) for lot, end in zip(lots, ends, strict=True)],
        "done": _done(settings, lots, longest),
    }


def found(lot: LotHistory, sought: str) -> bool:
    """Return whether every word that is sought stands in a lot's name, must, yeast, profile, notes or tastings."""
    texts = [lot.lot, lot.start.must or "", lot.start.yeast or "", lot.start.profile]
    texts += [e.what.text for e in lot.entries if isinstance(e.what, Note | Tasting)]
    text = " ".join(texts).casefold()
    return all(word in text for word in sought.casefold().split())


def _curves(store: Store, lot: LotHistory, until_ms: int) -> dict[str, Any]:
    estimated = estimate_curves(store.watching.each_estimate(lot.lot, lot.started_ms, until_ms), POINTS)
    gravity = estimated.gravity or [Point(at, g) for at, g in checks(lot) if at < until_ms]
    return {
        "lot": lot.lot,
        "started_at": iso(lot.started_ms),
        "ended_at": iso(lot.ended_ms),
        "gravity": _by_day(lot, gravity, 5),
        "celsius": _by_day(lot, [p for p in estimated.celsius if p is not None], 2),
    }


def _by_day(lot: LotHistory, points: Sequence[Point], digits: int) -> dict[str, list[float]]:
    return {
        "day": [round((p.at_ms - lot.started_ms) / DAY_MS, 4) for p in points],
        "value": [round(p.value, digits) for p in points],
    }


def _done(settings: Settings, lots: Sequence[LotHistory], longest: float) -> list[dict[str, Any]]:
    """Return by day since pitching what was done with each lot on it, days with nothing left out."""
    units = measures_of(settings)
    by_day: dict[int, list[list[str]]] = {}
    for column, lot in enumerate(lots):
        for entry in lot.entries:
            day = (entry.at_ms - lot.started_ms) / DAY_MS
            if not isinstance(entry.what, Start) and 0 <= day <= longest:
                row = by_day.setdefault(int(day), [[] for _ in lots])
                row[column].append(what_was_done(entry.what, units))
    return [{"day": day, "lots": by_day[day]} for day in sorted(by_day)]
