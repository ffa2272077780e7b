"""What is due over the whole cellar, as commands, pages, messages and the calendar show it."""

from typing import Any
from zoneinfo import ZoneInfo

from mustwatch.cellar.due import DueThing, how_done, in_order_of_need, of_lot, reminders_set
from mustwatch.cellar.guidance import say_when
from mustwatch.cellar.history import in_force
from mustwatch.cellar.instant import DAY_MS, iso
from mustwatch.cellar.steps import Due
from mustwatch.config.plan import measures_of, plan_of
from mustwatch.config.settings import Settings
from mustwatch.evaluation.facts import facts_of
from mustwatch.store.store import Store
from mustwatch.views.book_words import span_words

WEEK_DAYS = 7


def due_things(
    store: Store, settings: Settings, now_ms: int, ahead_days: int | None = None
) -> list[DueThing]:
    """Return what is due in the order of need; with ``ahead_days`` what will be by then too, with None everything."""
    plan = plan_of(settings)
    zone = ZoneInfo(settings.cellar.timezone)
    history, now, alerts = store.book.history(), store.watching.now(), store.alerts.open()
    ahead_ms = None if ahead_days is None else ahead_days * DAY_MS
    far_ms = 10 * 366 * DAY_MS if ahead_ms is None else ahead_ms
    found = reminders_set(in_force(store.book.entries()), now_ms, zone)
    for lot in history.lots.values():
        if lot.ended_ms is None:
            facts = facts_of(lot, history, now.get(lot.lot), alerts, plan)
            found += of_lot(lot, plan.profile_for(lot), now_ms, facts, far_ms, plan.rules.units.measures)
    if ahead_ms is not None:
        found = [t for t in found if t.due_ms is not None and t.due_ms <= now_ms + ahead_ms]
    return in_order_of_need(found)


def due_view(store: Store, settings: Settings, now_ms: int, ahead_days: int | None = 0) -> dict[str, Any]:
    """Return the document of ``mustwatch due --json``, the due page and the API: what is due, in the order of need."""
    measures = measures_of(settings)
    lots = store.book.history().lots
    rows = []
    for thing in due_things(store, settings, now_ms, ahead_days):
        lot = lots.get(thing.lot or "")
        rows.append(
            {
                "id": thing.id,
                "kind": thing.kind.value,
                "lot": thing.lot,
                "vessel": None if lot is None else lot.vessel,
                "item": thing.item,
                "do": thing.do,
                "why": thing.why,
                "due": thing.due.value,
                "due_at": iso(thing.due_ms),
                "earliest_at": iso(thing.earliest_ms),
                "latest_at": iso(thing.latest_ms),
                "when": say_when(thing, now_ms, measures),
                "waiting_for": thing.waiting_for,
                "first": list(thing.first),
                "ready": list(thing.ready),
                "every": None if thing.every is None else span_words(thing.every),
                "how": None if thing.done_by is None else how_done(thing.lot or "", thing.done_by),
            }
        )
    return {
        "cellar": settings.cellar.name,
        "at": iso(now_ms),
        "until": None if ahead_days is None else iso(now_ms + ahead_days * DAY_MS),
        "due": rows,
    }


def is_due(row: dict[str, Any]) -> bool:
    """Say whether a row of the document is due by now."""
    return row["due"] in (Due.NOW, Due.OVERDUE)
