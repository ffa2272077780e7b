"""Alerts and their messages as pages and API show them: assembled from the store by one set of rules."""

from collections.abc import Iterable, Mapping
from typing import Any

from mustwatch.alerting import wording
from mustwatch.alerting.alert import Alert
from mustwatch.alerting.lifecycle import acknowledge, recall
from mustwatch.alerting.present import UNKNOWN, Course, present
from mustwatch.cellar.instant import DAY_MS, HOUR_MS, MINUTE_MS, iso
from mustwatch.config.plan import CellarPlan
from mustwatch.store.outbox import OutboxRow
from mustwatch.store.store import Store
from mustwatch.views.lot import columns
from mustwatch.views.series import Point, m4
from mustwatch.watch.finding import RANK, Curve

PAST_MS = 90 * DAY_MS
"""Alerts over for longer than this are in the store, but no longer on the page."""
PAST_AT_MOST = 100
GIVEN_UP_MS = 14 * DAY_MS
"""Messages given up longer ago than this are no longer shown."""
BEFORE_MS, AFTER_MS = 12 * HOUR_MS, 6 * HOUR_MS
"""What the picture of an alert shows before it opened and after it ended."""
LIMIT_OF_A_BAND = "limit_celsius"
BEFORE_OPENING_MS = 2 * HOUR_MS
"""It was beyond its limit for a while before it was told."""
COURSE_OVER_MS = 2 * HOUR_MS
"""What it is judged by where it is going."""
PICTURE_AT_MOST_MS = 14 * DAY_MS
PICTURE_POINTS = 120


class AlertNotKnownError(LookupError):
    """There is no alert of that id; the text says which are open."""


class AlertOverError(ValueError):
    """The alert is over: there is nothing to acknowledge."""


def alert_document(alert: Alert, plan: CellarPlan, now_ms: int, store: Store) -> dict[str, Any]:
    """Return an alert as ``wording.public`` does, with what to do next, where to take care, and one sentence of now."""
    units = plan.rules.units
    is_held = not alert.is_over
    now = present(alert, units, now_ms, course_of(store, alert, now_ms)) if is_held else None
    said, why = wording.phrases(alert, units, now_ms), wording.because(alert, units, now_ms)
    return {
        **wording.public(alert, units, now_ms),
        "title": f"{said.what[:1].upper()}{said.what[1:]}: {wording.where(alert)}",
        "because": why[0] if why else "",
        "why": " ".join(why),
        "next": said.next,
        "care": said.care,
        "numbers": wording.numbers(alert, units, now_ms),
        "present": None if now is None else now._asdict(),
    }


def course_of(store: Store, alert: Alert, now_ms: int) -> Course:
    """Return where a temperature beyond its limit is going, by its lot's estimates, and when it was worst."""
    lot = alert.subject.lot
    if lot is None or alert.kind.drawn is None or alert.kind.drawn.limit != LIMIT_OF_A_BAND:
        return UNKNOWN
    begin_ms = max(alert.opened_ms - BEFORE_OPENING_MS, now_ms - PICTURE_AT_MOST_MS)
    known = [
        (e.at_ms, e.temperature_c)
        for e in store.watching.each_estimate(lot, begin_ms, now_ms + 1)
        if e.temperature_c is not None
    ]
    lately = [one for one in known if one[0] > alert.as_of_ms - COURSE_OVER_MS]
    if len(lately) < 2:
        return UNKNOWN
    (first_ms, first_c), (last_ms, last_c) = lately[0], lately[-1]
    worst_c = alert.figures().get("worst_celsius")
    worst_ms = min(known, key=lambda one: abs(one[1] - worst_c))[0] if isinstance(worst_c, float) else None
    return Course((last_c - first_c) * HOUR_MS / max(MINUTE_MS, last_ms - first_ms), worst_ms)


def alerts_view(store: Store, plan: CellarPlan, now_ms: int, *, past: bool) -> list[dict[str, Any]]:
    """Return the alerts that hold, the worst and newest first, or those that are over, newest first."""
    if not past:
        held = sorted(store.alerts.open(), key=lambda a: (-RANK[a.severity], -a.opened_ms))
        return [alert_document(a, plan, now_ms, store) for a in held]
    over = [a for a in store.alerts.recent(now_ms - PAST_MS) if a.is_over]
    over.sort(key=lambda a: a.cleared_ms or 0, reverse=True)
    return [alert_document(a, plan, now_ms, store) for a in over[:PAST_AT_MOST]]


def acknowledge_alert(store: Store, alert_id: str, now_ms: int, until_ms: int | None = None) -> Alert:
    """Note that somebody knows of an alert, for good or until an instant.

    Raises:
        AlertNotKnownError: there is none of that id.
        AlertOverError: it is over.
    """
    with store.transaction():
        alert = _held(store, alert_id)
        if alert.acknowledged_ms is None or alert.put_off_ms != until_ms:
            alert = acknowledge(alert, now_ms, until_ms)
            store.alerts.save([alert])
    return alert


def recall_alert(store: Store, alert_id: str, now_ms: int) -> Alert:
    """Undo the acknowledging of an alert: it is open again, and told again when it is due.

    Raises:
        AlertNotKnownError: there is none of that id.
        AlertOverError: it is over.
    """
    with store.transaction():
        alert = _held(store, alert_id)
        if alert.acknowledged_ms is not None:
            alert = recall(alert, now_ms)
            store.alerts.save([alert])
    return alert


def _held(store: Store, alert_id: str) -> Alert:
    alert = store.alerts.get(alert_id)
    if alert is None:
        open_ids = ", ".join(a.id for a in store.alerts.open()) or "none is open"
        raise AlertNotKnownError(f"no alert has the id {alert_id!r}; open are: {open_ids}")
    if alert.is_over:
        raise AlertOverError(f"{alert_id} is over already: nothing to acknowledge")
    return alert


def ids_meant(store: Store, name: str) -> list[str]:
    """Return the alerts that a person means: by an id, or all that hold of a vessel, a lot or a sensor.

    Raises:
        AlertNotKnownError: it is neither; the text says which are open.
    """
    held = store.alerts.open()
    of_name = [a.id for a in held if name in (a.id, a.subject.lot, a.subject.vessel, a.subject.sensor)]
    return of_name or [_held(store, name).id]


def pictures(store: Store, ids: Iterable[str], now_ms: int) -> Mapping[str, dict[str, Any]]:
    """Return for each alert about a lot the lot's curve around it, with when it opened and ended."""
    found = {}
    for alert_id in ids:
        alert = store.alerts.get(alert_id)
        if alert is None or alert.subject.lot is None:
            continue
        drawn = alert.kind.drawn
        ends_ms = alert.cleared_ms if alert.cleared_ms is not None else now_ms
        until_ms = min(ends_ms + AFTER_MS, now_ms)
        begin_ms = max(alert.opened_ms - BEFORE_MS, until_ms - PICTURE_AT_MOST_MS)
        estimates = store.watching.estimates(alert.subject.lot, begin_ms, until_ms + 1)
        gravity = [Point(e.at_ms, e.gravity) for e in estimates if e.gravity is not None]
        celsius = [Point(e.at_ms, e.temperature_c) for e in estimates if e.temperature_c is not None]
        found[alert_id] = {
            "from_ms": begin_ms,
            "until_ms": max(until_ms, begin_ms + MINUTE_MS),
            "shows": "celsius" if drawn is not None and drawn.curve is Curve.TEMPERATURE else "gravity",
            "opened_ms": alert.opened_ms,
            "cleared_ms": alert.cleared_ms,
            "gravity": columns(m4(gravity, PICTURE_POINTS), 5),
            "celsius": columns(m4(celsius, PICTURE_POINTS), 2),
        }
    return found


def undelivered(store: Store, now_ms: int) -> list[dict[str, Any]]:
    """Return the messages that wait to be told, then those given up lately."""
    waiting = [_message(row, given_up=False) for row in store.outbox.waiting()]
    return waiting + [_message(row, given_up=True) for row in store.outbox.undelivered(now_ms - GIVEN_UP_MS)]


def _message(row: OutboxRow, *, given_up: bool) -> dict[str, Any]:
    message = row.message
    return {
        "id": message.id,
        "target": message.target,
        "title": message.title,
        "severity": message.severity.value,
        "created_at": iso(message.created_ms),
        "attempts": row.attempts,
        "next_try_at": iso(row.next_try_ms),
        "error": row.error,
        "given_up": given_up,
    }
