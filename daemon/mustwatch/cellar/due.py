"""What is due in the whole cellar: the steps of every lot, the rounds, and the reminders people set themselves.

Each thing has one identity for as long as it lasts, by which it is done, put off or dropped, and known to a calendar.
"""

import calendar
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta, tzinfo
from enum import StrEnum
from hashlib import blake2b

from mustwatch.cellar.book import WHOLE_CELLAR, Act, Attended, Entry, OwnReminder
from mustwatch.cellar.facts import NOTHING_KNOWN, Facts
from mustwatch.cellar.guidance import DIP, dip_reminder
from mustwatch.cellar.history import LotHistory
from mustwatch.cellar.instant import from_ms, to_ms
from mustwatch.cellar.measures import PLAIN, Measures
from mustwatch.cellar.possible import EVERY
from mustwatch.cellar.profile import OR, Profile
from mustwatch.cellar.requirements import Requirement
from mustwatch.cellar.steps import FREE_SO2, Due, NextStep, holding, next_steps, standing

NEED = {Due.OVERDUE: 0, Due.NOW: 1, Due.LATER: 2, Due.WAITING: 3}
"""The order of need."""


class DueKind(StrEnum):
    """Where a thing that is due comes from."""

    STEP = "step"
    ROUND = "round"
    REMINDER = "reminder"


_CHECK = "measure {lot} --gravity G --celsius T"
_ENTRIES: Mapping[str, str] = {
    "rack": "rack {lot} --to VESSEL",
    "measure": _CHECK,
    FREE_SO2: "measure {lot} --free-so2 MG_PER_L",
    "taste": 'taste {lot} "how it is"',
    "bottle": "bottle {lot} COUNT",
    Requirement.CHECKED: _CHECK,
    Requirement.FINISHED: _CHECK,
    Requirement.DRY: _CHECK,
}


def how_done(lot: str, done_by: str) -> str:
    """Return the command that writes in the book that a step was done, by what the step is done by."""
    entry = _ENTRIES.get(done_by.partition(OR)[0], "add {lot} WHAT AMOUNT")
    return f"mustwatch record {entry.format(lot=repr(lot))}"


@dataclass(frozen=True, slots=True)
class DueThing:
    """A thing that is due, or will be.

    Attributes:
        kind: where it comes from; ``lot``: None where it is about no lot.
        item: what entries call it: a step's id, ``DIP``, or the id of a reminder's entry.
        do, why, ready, first: as of a step; ``first`` is what must be true before it may be done and is not.
        due: how it stands to the present; ``due_ms`` with its interval, or ``waiting_for``, as of a step.
        every: after which span a reminder comes again, an ISO 8601 duration.
        done_by: the kind of entry that shows that it was done, or None where it is said to be.
    """

    kind: DueKind
    lot: str | None
    item: str
    do: str
    why: str | None
    due: Due
    due_ms: int | None
    earliest_ms: int | None = None
    latest_ms: int | None = None
    waiting_for: str | None = None
    first: tuple[str, ...] = ()
    ready: tuple[str, ...] = ()
    every: str | None = None
    done_by: str | None = None

    @property
    def id(self) -> str:
        """Return the identity of the thing, eight hex digits: the same tomorrow, and after a restart."""
        return due_id(self.lot, self.item)


def due_id(lot: str | None, item: str) -> str:
    """Return the identity of a thing that is due, by what entries call it."""
    return blake2b(f"{lot or WHOLE_CELLAR}\0{item}".encode(), digest_size=4).hexdigest()


def of_lot(
    lot: LotHistory,
    profile: Profile,
    now_ms: int,
    facts: Facts = NOTHING_KNOWN,
    ahead_ms: int = 0,
    measures: Measures = PLAIN,
) -> list[DueThing]:
    """Return the next steps of a lot, and its rounds that are due or will be within ``ahead_ms``."""
    found = [
        _by_step(DueKind.STEP, lot, s) for s in next_steps(lot, profile, now_ms, facts, measures=measures)
    ]
    rounds = holding(lot, profile, now_ms, facts, ahead_ms)
    found += [_by_step(DueKind.ROUND, lot, s) for s in rounds if s.step.repeat_days is not None]
    dip = dip_reminder(lot, profile, now_ms, facts, ahead_ms)
    if dip is not None and dip.due_ms is not None:
        due = standing(dip.due_ms, now_ms)
        found.append(
            DueThing(
                DueKind.ROUND, lot.lot, DIP, "Dip the hydrometer", dip.why, due, dip.due_ms, done_by="measure"
            )
        )
    return found


def _by_step(kind: DueKind, lot: LotHistory, step: NextStep) -> DueThing:
    of = step.step
    return DueThing(
        kind,
        lot.lot,
        of.id,
        step.do,
        of.why,
        step.due,
        step.due_ms,
        step.earliest_ms,
        step.latest_ms,
        step.waiting_for,
        step.first,
        step.ready,
        done_by=None if of.done_by in (None, "note") else of.done_by,
    )


def reminders_set(entries: Iterable[Entry], now_ms: int, zone: tzinfo) -> list[DueThing]:
    """Return the reminders people set themselves that are not done or dropped, each with the day it is due next.

    Args:
        entries: of the whole book, those in force, in time order.
        now_ms: the present; ``zone``: the cellar's, by whose midnight a day begins.
    """
    entries = list(entries)
    attended: dict[str, list[tuple[int, Attended]]] = {}
    for entry in entries:
        if isinstance(entry.what, Attended):
            attended.setdefault(entry.what.item, []).append((entry.at_ms, entry.what))
    found = []
    for entry in entries:
        what = entry.what
        if not isinstance(what, OwnReminder):
            continue
        due_ms = _next_day_ms(what, attended.get(entry.id, ()), zone)
        if due_ms is not None:
            lot = None if entry.lot == WHOLE_CELLAR else entry.lot
            due = standing(due_ms, now_ms)
            found.append(
                DueThing(DueKind.REMINDER, lot, entry.id, what.text, None, due, due_ms, every=what.every)
            )
    return found


def _next_day_ms(reminder: OwnReminder, attended: Iterable[tuple[int, Attended]], zone: tzinfo) -> int | None:
    """Return when a reminder is due next, or None if it is over.

    What was done settles the day that was waited for, early or late, and every day until then.
    """
    days = days_of(reminder, zone)
    waited = next(days)
    put_off = 0
    for at_ms, said in attended:
        if said.act is Act.DROPPED:
            return None
        put_off = said.until_ms or 0
        if said.act is Act.DONE:
            done_ms = max(at_ms, waited)
            following = next((day for day in days if day > done_ms), None)
            if following is None:
                return None
            waited = following
    return max(waited, put_off)


def days_of(reminder: OwnReminder, zone: tzinfo) -> Iterator[int]:
    """Yield the days of a reminder in order: each day's beginning by the cellar's clock, ms since the epoch.

    A month's day that a shorter month lacks is that month's last, and the month after has it again.
    """
    first = date.fromisoformat(reminder.on)
    every = EVERY.fullmatch(reminder.every or "")
    if every is None:
        yield day_ms(first, zone)
        return
    step, unit = int(every[1]), every[2]
    number, day = 0, first
    while day.year < date.max.year:
        yield day_ms(day, zone)
        number += 1
        day = _after(first, number * step, unit)


def _after(first: date, count: int, unit: str) -> date:
    try:
        if unit in "DW":
            return first + timedelta(days=count * (7 if unit == "W" else 1))
        months = first.month - 1 + count * (12 if unit == "Y" else 1)
        year, month = first.year + months // 12, months % 12 + 1
        return date(year, month, min(first.day, calendar.monthrange(year, month)[1]))
    except (OverflowError, ValueError):
        return date.max


def day_ms(day: date, zone: tzinfo) -> int:
    """Return when a day begins by a zone's clock, milliseconds since the epoch."""
    return to_ms(datetime.combine(day, time(), zone))


def day_of(at_ms: int, zone: tzinfo) -> date:
    """Return the day of an instant by a zone's clock."""
    return from_ms(at_ms).astimezone(zone).date()


def in_order_of_need(things: Iterable[DueThing]) -> list[DueThing]:
    """Return things sorted: overdue before due before later, the longest due first, what waits for another last."""
    return sorted(things, key=lambda t: (NEED[t.due], t.due_ms or 0, t.lot or "", t.item))
