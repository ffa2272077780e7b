"""The morning's message: what is due, what was odd overnight, what is still open."""

from collections.abc import Iterable, Iterator, Mapping, Sequence, Set
from typing import Any, NamedTuple

from mustwatch.alerting.rules import TellTarget
from mustwatch.cellar.due import DueKind
from mustwatch.cellar.history import LotHistory
from mustwatch.cellar.instant import DAY_MS
from mustwatch.config.plan import CellarPlan, measures_of, plan_of
from mustwatch.config.settings import Settings
from mustwatch.store.store import Store
from mustwatch.views.cellar import cellar_view
from mustwatch.views.due import due_view, is_due
from mustwatch.views.night import night_view
from mustwatch.views.night_text import vessel_lines
from mustwatch.watch.finding import Severity, kind_named

AGAIN_MS = 7 * DAY_MS
"""What is still due is a reason for another message after this time (own choice)."""
MOST_LINES = 8
MOST_CHARACTERS = 160
"""What a phone shows at once: eight lines, each folded to two or three."""


class Point(NamedTuple):
    """One thing to say.

    ``key`` is the same tomorrow if it is still so; None where it is no reason for a message. ``told_as``: the finding
    that told it already, to whoever hears of that.
    """

    key: str | None
    line: str
    told_as: str | None = None
    lot: str | None = None


class Morning(NamedTuple):
    """The message, the night it is about (its date, by which it is told once), and what it tells."""

    night: str
    title: str
    body: str
    points: tuple[Point, ...]

    def keys_for(self, target: TellTarget) -> tuple[str, ...]:
        """Return the keys of what is a reason to tell a target: all that no message of its own has told it."""
        return tuple(
            p.key
            for p in self.points
            if p.key is not None and not (p.told_as and target.wants(Severity.NOTICE, p.told_as))
        )


def morning(store: Store, settings: Settings, now_ms: int) -> Morning:
    """Write the morning's message as of an instant, on the night that ended last before, in the order of need."""
    plan = plan_of(settings)
    night = night_view(store, settings, now_ms)
    cellar = cellar_view(store, settings, now_ms)
    found = {(a["lot"], a["kind"]) for a in cellar["alerts"]}
    lots = store.book.history().lots
    due = list(_due(filter(is_due, due_view(store, settings, now_ms)["due"]), found, lots, plan))
    odd = list(_odd(night, plan, settings, {lot for lot, kind in found if kind_named(kind).is_nightly}, lots))
    said = {(point.lot, point.told_as) for point in due}
    still = [a for a in _unanswered(cellar["alerts"]) if (a["lot"], a["kind"]) not in said]
    pressing = [_still(a) for a in still if a["severity"] != Severity.NOTICE]
    notices = [_still(a) for a in still if a["severity"] == Severity.NOTICE]
    cautions = [f"Caution: {caution}" for caution in cellar["cautions"]]
    parts = [
        f"{len(points)} {what if len(points) == 1 else f'{what}s'} {how}".strip()
        for points, what, how in ((due, "thing", "due"), (odd, "odd night", ""))
        if points
    ]
    title = f"Good morning from {settings.cellar.name}: {' and '.join(parts) or 'nothing is due'}"
    points = (*pressing, *due, *odd, *notices)
    most = max(MOST_LINES - len(cautions), MOST_LINES // 2)
    return Morning(night["night"], title, "\n".join([*_lines(points, most), *cautions]), points)


def _still(alert: dict[str, Any]) -> Point:
    return Point(None, f"Still open: {alert['summary']}")


def is_news(keys: Iterable[str], told: Mapping[str, int] | None, now_ms: int) -> bool:
    """Say whether any of these has not been told, or so long ago that it may be said again."""
    told = told if isinstance(told, Mapping) else {}  # a former version kept one list for all
    return any(key not in told or not 0 <= now_ms - told[key] < AGAIN_MS for key in keys)


def _lines(points: Sequence[Point], most: int) -> Iterator[str]:
    shown = points if len(points) <= most else points[: most - 1]
    for point in shown:
        yield point.line if len(point.line) <= MOST_CHARACTERS else point.line[: MOST_CHARACTERS - 1] + "…"
    if len(points) > len(shown):
        yield f"And {len(points) - len(shown)} more: see mustwatch due, or the page."


def _due(
    rows: Iterable[dict[str, Any]],
    found: Set[tuple[str | None, str]],
    lots: Mapping[str, LotHistory],
    plan: CellarPlan,
) -> Iterator[Point]:
    """Yield what is due in the order of need; a round or reminder that comes again is another thing then."""
    for row in rows:
        first = f". First: {', '.join(row['first'])}" if row["first"] else ""
        where = f"{row['lot']}{' in ' + row['vessel'] if row['vessel'] else ''}: " if row["lot"] else ""
        when = "" if row["kind"] == DueKind.REMINDER else f" ({row['when']})"
        which = "" if row["kind"] == DueKind.STEP else f" {row['due_at']}"
        step = plan.profile_for(lots[row["lot"]]).step(row["item"]) if row["lot"] in lots else None
        told_as = step.finding if step is not None and (row["lot"], step.finding) in found else None
        yield Point(f"due {row['id']}{which}", f"{where}{row['do']}{when}{first}", told_as, row["lot"])


def _odd(
    night: dict[str, Any],
    plan: CellarPlan,
    settings: Settings,
    said: Set[str | None],
    lots: Mapping[str, LotHistory],
) -> Iterator[Point]:
    """Yield the nights outside a wine's band for its dwell, or that swung too far, where no open alert says so."""
    measures = measures_of(settings)
    for row in night["vessels"]:
        if row["lot"] is None or row["lot"] in said or row["swing"] is None:
            continue
        profile = plan.profile_for(lots[row["lot"]])
        outside = max(row["minutes_above"], row["minutes_below"])
        if outside >= profile.dwell_minutes or row["swing"] >= profile.night_swing_c:
            line = "; ".join(text.strip() for text in vessel_lines(row, measures))
            yield Point(f"night {night['night']} {row['lot']}", f"Overnight, {line}")


def _unanswered(alerts: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return the alerts nobody has acknowledged, the worst first."""
    rank = {"urgent": 0, "warning": 1, "notice": 2}
    return sorted((a for a in alerts if a["acknowledged_at"] is None), key=lambda a: rank[a["severity"]])
