"""An alert in one sentence of now, as a card begins with it: what, for how long in all, how it is, where it is going.

Its figures are those of every message, page and command (``Alert.figures``); only where it is going is added, by
whoever has the curve.
"""

from typing import NamedTuple

from mustwatch.alerting.alert import Alert
from mustwatch.alerting.phrasing import capital
from mustwatch.alerting.rules import Units
from mustwatch.alerting.wording import phrases
from mustwatch.cellar.instant import HOUR_MS, MINUTE_MS

STEADY_C_PER_HOUR = 0.1
"""What moves less is neither coming back nor getting worse: a fridge's or a cellar's usual sway. Own choice."""


class Course(NamedTuple):
    """Where a temperature is going, °C an hour (None: unknown), and when it was worst, milliseconds since the epoch."""

    celsius_per_hour: float | None = None
    worst_ms: int | None = None


class Present(NamedTuple):
    """An alert as it is now: ``what`` and for how long, the figures, and what to do, each with its full stop."""

    what: str
    figures: str
    act: str


UNKNOWN = Course()


def present(alert: Alert, units: Units, now_ms: int, course: Course = UNKNOWN) -> Present:
    """Return what there is to say of an alert that holds, in the order in which somebody half awake asks for it."""
    said = phrases(alert, units, now_ms)
    what = capital(said.what)
    figures = list(said.now) or [said.why[0].rstrip(".")] if said.now or said.why else []
    if figures and course.worst_ms is not None and figures[-1].startswith(("lowest", "highest")):
        is_today = now_ms - course.worst_ms < 20 * HOUR_MS
        figures[-1] += (
            f" at {units.measures.clock(course.worst_ms)}"
            if is_today
            else (f" on {units.measures.moment(course.worst_ms)}")
        )
    figures += [way] if (way := _way(alert, course)) else []
    if said.lasts:
        what += f" for {units.measures.span(_lasted_ms(alert, now_ms))}"
    return Present(f"{what}{':' if figures else '.'}", f"{', '.join(figures)}." if figures else "", said.do)


def _lasted_ms(alert: Alert, now_ms: int) -> int:
    """Return for how long it has been so in all: beyond the limit that is named, else since it opened."""
    beyond = alert.figures(now_ms).get("minutes_beyond")
    return (
        round(beyond * MINUTE_MS) if isinstance(beyond, int | float) and beyond else now_ms - alert.opened_ms
    )


def _way(alert: Alert, course: Course) -> str:
    """Return where a temperature beyond its limit is going."""
    figures, change = alert.figures(), course.celsius_per_hour
    limit, worst = figures.get("limit_celsius"), figures.get("worst_celsius")
    if not isinstance(limit, int | float) or not isinstance(worst, int | float) or change is None:
        return ""
    if abs(change) < STEADY_C_PER_HOUR:
        return "not moving"
    is_below = worst < limit
    if (change > 0) is is_below:
        return "coming back"
    return "still falling" if is_below else "still rising"
