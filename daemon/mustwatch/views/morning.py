"""The morning's message: what is due, what was odd overnight, what is still open."""

from collections.abc import Iterable, Iterator
from typing import Any, NamedTuple

from mustwatch.cellar.instant import DAY_MS
from mustwatch.cellar.steps import Due
from mustwatch.config.plan import CellarPlan, measures_of, plan_of
from mustwatch.config.settings import Settings
from mustwatch.store.store import Store
from mustwatch.views.cellar import cellar_view
from mustwatch.views.night import night_view
from mustwatch.views.night_text import vessel_lines
from mustwatch.watch.finding import kind_named

AGAIN_MS = 3 * DAY_MS
"""What is still due is a reason for another message after this time (own choice)."""
MOST_LINES = 8
MOST_CHARACTERS = 160
"""What a phone shows at once: eight lines, each folded to two or three."""


class Point(NamedTuple):
    """One thing to say: ``key`` is the same tomorrow if it is still so; None where it is no reason for a message."""

    key: str | None
    line: str


class Morning(NamedTuple):
    """The message, the night it is about (its date, by which it is told once), and what it has told, by key."""

    night: str
    title: str
    body: str
    keys: tuple[str, ...]


def morning(store: Store, settings: Settings, now_ms: int) -> Morning:
    """Write the morning's message as of an instant, on the night that ended last before; ``keys`` is empty if quiet."""
    plan = plan_of(settings)
    night = night_view(store, settings, now_ms)
    cellar = cellar_view(store, settings, now_ms)
    due = list(_due(cellar["vessels"]))
    odd = list(
        _odd(
            night,
            plan,
            settings,
            {a["lot"] for a in cellar["alerts"] if kind_named(a["kind"]).is_nightly},
            store,
        )
    )
    still = [Point(None, f"Still open: {a['summary']}") for a in _unanswered(cellar["alerts"])]
    cautions = [Point(None, f"Caution: {caution}") for caution in cellar["cautions"]]
    parts = [
        f"{len(points)} {what if len(points) == 1 else f'{what}s'} {how}".strip()
        for points, what, how in ((due, "thing", "due"), (odd, "odd night", ""))
        if points
    ]
    title = f"Good morning from {settings.cellar.name}: {' and '.join(parts) or 'nothing is due'}"
    points = [*due, *odd, *still]
    return Morning(
        night["night"],
        title,
        "\n".join([*_lines(points), *(caution.line for caution in cautions)]),
        tuple(point.key for point in points if point.key is not None),
    )


def is_news(keys: Iterable[str], told: dict[str, int], now_ms: int) -> bool:
    """Say whether any of these has not been told, or so long ago that it may be said again."""
    return any(key not in told or not 0 <= now_ms - told[key] < AGAIN_MS for key in keys)


def _lines(points: list[Point]) -> Iterator[str]:
    shown = points if len(points) <= MOST_LINES else points[: MOST_LINES - 1]
    for point in shown:
        yield point.line if len(point.line) <= MOST_CHARACTERS else point.line[: MOST_CHARACTERS - 1] + "…"
    if len(points) > len(shown):
        yield f"And {len(points) - len(shown)} more: see mustwatch cellar, or the page."


def _due(rows: Iterable[dict[str, Any]]) -> Iterator[Point]:
    """Yield the steps and reminders that are due, those that are overdue first."""
    found: list[tuple[int, Point]] = []
    for row in rows:
        if row["lot"] is None:
            continue
        where = f"{row['lot']} in {row['vessel']}"
        for step in row["next"]:
            if step["due"] in (Due.NOW, Due.OVERDUE):
                first = f". First: {', '.join(step['first'])}" if step["first"] else ""
                line = f"{where}: {step['do']} ({step['when']}){first}"
                key = f"step {row['lot']} {step['id']}"
                found.append((0 if step["due"] == Due.OVERDUE else 1, Point(key, line)))
        for reminder in row["remember"]:
            key = f"remember {row['lot']} {reminder['step']} {reminder['due_at']}"
            found.append((2, Point(key, f"{where}: {reminder['do']}")))
    return (point for _, point in sorted(found, key=lambda of: of[0]))


def _odd(
    night: dict[str, Any], plan: CellarPlan, settings: Settings, said: set[str | None], store: Store
) -> Iterator[Point]:
    """Yield the nights outside a wine's band for its dwell, or that swung too far, where no open alert says so."""
    measures = measures_of(settings)
    lots = store.book.history().lots
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
