"""Reminders and cautions in plain words: what to look after, and what could hurt.

All of it is common practice unless a source is named; the sheet of a kit, a yeast or a product takes precedence,
and so do local rules.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from mustwatch.cellar.additions import Purpose, purpose_of
from mustwatch.cellar.book import Addition, Bottling, Entry, Racking, Start, Transfer, TransferName
from mustwatch.cellar.facts import NOTHING_KNOWN, Facts
from mustwatch.cellar.history import LotHistory
from mustwatch.cellar.instant import DAY_MS
from mustwatch.cellar.malolactic import next_test_ms
from mustwatch.cellar.measures import Measures
from mustwatch.cellar.parts import SUGAR_G_PER_L_PER_GRAVITY
from mustwatch.cellar.profile import Profile, Stage
from mustwatch.cellar.requirements import Case, Requirement, since
from mustwatch.cellar.steps import Due, NextStep, Timed, holding, is_dropped, put_off_ms, stage_now
from mustwatch.cellar.transfer_rules import named
from mustwatch.cellar.vessel import Vessel, VesselKind

CO2_PER_SUGAR = 0.4886
"""Grams of CO2 from a gram of hexose. Source: stoichiometry (2 x 44.01 / 180.16); 0.45 to 0.50 is measured."""
CO2_CAUTION_G_PER_HOUR = 10.0
"""From here on the caution is given. Such a cellar brings a closed, unaired room of 20 m3 to 5000 ppm within a
day. Common practice, no source."""
CO2_LIMIT_G_PER_M3 = 9.0
"""The European limit for an eight-hour working day: 5000 ppm, 9000 mg/m3. Source: Directive 2006/15/EC (from
memory)."""
ROOM_M3 = 20.0
"""The room that the caution assumes: a small shed or cellar of 3 x 3 x 2.2 m."""
HEAVY_LITRES = 15.0
"""A glass vessel from here on counts as heavy: 15 L of wine and the glass weigh some 20 kg."""
DIP_EVERY_DAYS = {Stage.PRIMARY: 2.0, Stage.SECONDARY: 5.0, Stage.CLEARING: 30.0, Stage.MATURING: 60.0}
"""How often a lot without a float is dipped. Common practice."""
DIP = "dip"
"""What an entry calls the dipping of a lot without a float when it is put off or dropped."""

CO2_DANGER = (
    "CO2 is heavier than air, gathers in low and closed rooms and gives no warning: air the room before "
    "going in, "
    "and leave at once with a headache or short breath"
)
GLASS_CAUTION = (
    "a full glass vessel is heavy and breaks: empty it where it stands, or lift it with two people"
)
SULFITE_CAUTION = (
    "sulfite dust and gas hurt lungs and eyes, people with asthma most: weigh it in moving air, stir it "
    "in dissolved, "
    "keep to the product's sheet and your country's limit"
)
SANITISER_CAUTION = (
    "sanitisers burn skin and eyes: gloves, one product at a time (chlorine with acid is poison gas), and the "
    "rinsing its sheet asks for"
)


@dataclass(frozen=True, slots=True)
class Reminder:
    """Something to look after: what, why, and since when it is due."""

    do: str
    why: str
    due_ms: int | None = None
    step: str | None = None


@dataclass(frozen=True, slots=True)
class Fermenting:
    """What a lot gives off: its volume in litres and the fall of its gravity per day."""

    lot: str
    litres: float
    rate_per_day: float


def co2_g_per_hour(litres: float, rate_per_day: float) -> float:
    """Return the CO2 a fermenting must gives off, grams per hour: an estimate from the fall of its gravity.

    Args:
        litres: volume of the must.
        rate_per_day: change of gravity 20/20 per day; rising or still musts give none.

    Source: ``SUGAR_G_PER_L_PER_GRAVITY`` and ``CO2_PER_SUGAR``.
    """
    sugar_g_per_day = max(0.0, -rate_per_day) * SUGAR_G_PER_L_PER_GRAVITY * litres
    return sugar_g_per_day * CO2_PER_SUGAR / 24.0


def co2_caution(fermenting: Iterable[Fermenting]) -> str | None:
    """Return the caution about the CO2 of all lots of a room together, or None where it is little.

    The book does not know the room: the sentence says which one it assumes.
    """
    each = [(f.lot, co2_g_per_hour(f.litres, f.rate_per_day)) for f in fermenting]
    giving = [(lot, grams) for lot, grams in each if grams >= 0.5]
    total = sum(grams for _, grams in giving)
    if total < CO2_CAUTION_G_PER_HOUR:
        return None
    lots = "1 lot gives" if len(giving) == 1 else f"{len(giving)} lots give"
    hours = CO2_LIMIT_G_PER_M3 * ROOM_M3 / total
    return (
        f"{lots} off about {total:.0f} g of CO2 an hour together (an estimate from the falling gravity): a "
        "closed "
        f"room of {ROOM_M3:.0f} m3 would pass 5000 ppm in about {hours:.0f} hours. {CO2_DANGER}"
    )


def entry_cautions(entry: Entry, lot: LotHistory | None, vessels: Iterable[Vessel]) -> list[str]:
    """Return the cautions that belong to what is being done, for the line after the confirmation."""
    by_name = {vessel.name: vessel for vessel in vessels}
    what = entry.what
    found: list[str] = []
    if isinstance(what, Racking | Transfer):
        came_from = (lot.vessel_at(entry.at_ms - 1) if lot else None) or ""
        names = {what.to_vessel, came_from} if isinstance(what, Racking) else set()
        if isinstance(what, Transfer) and what.name in (
            TransferName.RACK,
            TransferName.SPLIT,
            TransferName.BLEND,
        ):
            names = named(what.pours)[1]
        both = [by_name.get(name) for name in names]
        if any(v is not None and v.kind is VesselKind.CARBOY and v.litres >= HEAVY_LITRES for v in both):
            found.append(GLASS_CAUTION)
    if isinstance(what, Racking | Start) or (isinstance(what, Transfer) and named(what.pours)[1]):
        found.append(SANITISER_CAUTION)
    if isinstance(what, Addition) and purpose_of(what) in (Purpose.SULFITE, Purpose.STABILISE):
        found.append(SULFITE_CAUTION)
    if isinstance(what, Bottling) and entry.despite is not None:
        found.append(
            "bottled against the rule: keep the bottles cool, apart and covered, open one each week, and "
            "take all "
            "of them back into a vessel if one fizzes"
        )
    return found


def reminders(lot: LotHistory, profile: Profile, now_ms: int, facts: Facts = NOTHING_KNOWN) -> list[Reminder]:
    """Return what to look after now: repeated steps that are due, advice that holds, and a dip where it is time."""
    found = [Reminder(s.do, s.step.why, s.due_ms, s.step.id) for s in holding(lot, profile, now_ms, facts)]
    dip = dip_reminder(lot, profile, now_ms, facts)
    tests = [] if (malic := malic_reminder(lot, now_ms)) is None else [malic]
    return [*([] if dip is None else [dip]), *tests, *found]


def malic_reminder(lot: LotHistory, now_ms: int) -> Reminder | None:
    """Return a reminder to test malic acid while the malolactic ferment runs and the last test is old; else None."""
    due_ms = next_test_ms(lot.entries, now_ms)
    if due_ms is None or due_ms > now_ms or lot.ended_ms is not None:
        return None
    do = f"Test the malic acid: mustwatch record measure {lot.lot!r} --malic present|traces|gone"
    return Reminder(do, "its malolactic ferment runs: no sulfite yet, and bottles wait for it", due_ms)


def dip_reminder(
    lot: LotHistory, profile: Profile, now_ms: int, facts: Facts = NOTHING_KNOWN, ahead_ms: int = 0
) -> Reminder | None:
    """Return a reminder to dip the hydrometer, for a lot without a float whose last check is old; else None.

    One that will be due within ``ahead_ms`` counts.
    """
    if facts.floats or lot.ended_ms is not None or is_dropped(lot.entries, DIP, now_ms):
        return None
    case = Case(lot, profile, facts, now_ms)
    every = DIP_EVERY_DAYS.get(stage_now(profile, case))
    if every is None:
        return None
    gravity = case.newest_gravity()
    if gravity is not None and gravity <= case.level() and since(Requirement.FINISHED, case) is None:
        every = min(every, profile.settled_hours / 24.0)  # near the end two equal checks are what counts
    checks = case.checks()
    last_ms = checks[-1][0] if checks else lot.started_ms
    due_ms = max(int(last_ms + every * DAY_MS), put_off_ms(lot.entries, DIP, now_ms))
    if due_ms > now_ms + ahead_ms:
        return None
    ago = (now_ms - last_ms) / DAY_MS
    since_when = f"the last check is {ago:.0f} days old" if checks else "there is no check yet"
    why = f"it has no float, and {since_when}: without a number nothing can be said of it"
    do = f"Dip the hydrometer: mustwatch record measure {lot.lot!r} --gravity G --celsius T"
    return Reminder(do, why, due_ms)


def say_when(step: Timed, now_ms: int, measures: Measures) -> str:
    """Return when a step is due in plain words, by the cellar's clock.

    E.g. ``now``, ``since Tue 3 Nov``, ``about Thu 5 Nov (Wed 4 Nov to Sat 7 Nov)``, ``once racking is due``.
    """
    if step.due_ms is None:
        return f"once {step.waiting_for}" if step.waiting_for else "in its time"
    is_of_this_year = measures.local(step.due_ms).year == measures.local(now_ms).year
    day = measures.day(step.due_ms) if is_of_this_year else measures.full_day(step.due_ms)
    if step.due is Due.NOW:
        return "now"
    if step.due is Due.OVERDUE:
        return f"since {day}"
    if step.earliest_ms is not None and step.latest_ms is not None:
        return f"about {day} ({measures.day(step.earliest_ms)} to {measures.day(step.latest_ms)})"
    return f"today from {measures.clock(step.due_ms)}" if measures.day(now_ms) == day else day


def say_next(step: NextStep, now_ms: int, measures: Measures) -> str:
    """Return a next step as one line: when, what, why, and what must be true first."""
    when = say_when(step, now_ms, measures)
    if step.due not in (Due.NOW, Due.OVERDUE):
        return f"{step.do} ({when})"
    line = f"{step.do} ({when}): {step.step.why}"
    return f"{line}. First: {', '.join(step.first)}" if step.first else line
