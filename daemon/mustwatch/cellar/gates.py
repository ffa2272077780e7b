"""The gates: bottling, stabilising and sweetening wait for a wine that has finished and was checked.

A gate is not a wall. The winemaker may know better (sparkling wine, step feeding, a lot poured away): a
reason overrules it and is kept in the book.
"""

from collections.abc import Iterator

from mustwatch.cellar.additions import Purpose, brings_sugar, purpose_of
from mustwatch.cellar.book import Addition, Bottling, Entry, StageChange
from mustwatch.cellar.instant import DAY_MS, HOUR_MS
from mustwatch.cellar.profile import Stage
from mustwatch.cellar.refusal import Reason, Refusal, RefusalKind
from mustwatch.cellar.requirements import (
    CHECK_HOLDS_MS,
    Case,
    Requirement,
    has_lost_sugar,
    should_read,
    since,
)


def gates(entry: Entry, case: Case) -> list[Refusal]:
    """Return why it is too early for an entry; empty if nothing has to be waited for."""
    what = entry.what
    if isinstance(what, Bottling) or (isinstance(what, StageChange) and what.stage is Stage.BOTTLED):
        return [*_bottling_gates(case)]
    if isinstance(what, Addition):
        return [*_addition_gates(what, case)]
    return []


_BURST = (
    "what still ferments in a bottle makes CO2 (about 1 bar for every 4 g/L of sugar, a rule of thumb): "
    "corks fly and bottles burst"
)


def _gravity_words(case: Case) -> str:
    gravity = case.newest_gravity()
    return "its gravity is unknown" if gravity is None else f"it is at {case.measures.gravity(gravity)}"


def _unfinished(case: Case, doing: str, danger: str) -> Iterator[Refusal]:
    """Yield refusals of a wine that has not finished, or that no hydrometer check confirms."""
    lot = case.lot.lot
    if since(Requirement.FINISHED, case) is None:
        finding = case.contradicted_by()
        state = (
            f"is {finding}"
            if finding
            else "still ferments"
            if case.is_still_falling()
            else "is not known to have finished"
        )
        advice = (
            "get it going again or find out why it stopped"
            if finding == "stuck"
            else f"wait for `finished`, or for two equal checks {case.profile.settled_hours:g} hours apart "
            f"at {case.measures.gravity(case.level())} or below"
        )
        line = (
            f"{doing} {lot!r} is too early: it {state} ({_gravity_words(case)}). {danger}. Instead: {advice}"
        )
        yield Refusal(RefusalKind.GATE, Reason.NOT_FINISHED, line)
    checks, is_adrift = case.checks(), "float-adrift" in case.facts.findings
    # A check that only says once more that it has not finished adds nothing to that.
    says_the_same = since(Requirement.FINISHED, case) is None and checks and not is_adrift
    if since(Requirement.CHECKED, case) is None and not says_the_same:
        if is_adrift:
            state = "the float and the hydrometer disagree; check again, then re-anchor the float"
        elif not checks:
            state = "no hydrometer check has been recorded"
        else:
            is_below = has_lost_sugar(case, *checks[-1])
            state = (
                f"the newest check ({case.measures.gravity(checks[-1][1])}) "
                f"{'is too low' if is_below else 'does not confirm that it has finished'}"
                f"{_should_read_words(case)}{': the added sugar seems to ferment' if is_below else ''}"
            )
        line = (
            f"{doing} {lot!r} waits for a hydrometer check: {state}. Degas a sample, read it, and enter it: "
            f"mustwatch record measure {lot!r} --gravity G --celsius T"
        )
        yield Refusal(RefusalKind.GATE, Reason.NO_AGREEING_CHECK, line)


def _should_read_words(case: Case) -> str:
    expected = should_read(case)
    if expected is None:
        return ""
    reading, before = expected
    measures = case.measures
    added = measures.gravity_change(reading - before, before)
    return (
        f" (it should read about {measures.gravity(reading)}: {measures.gravity(before)} before, {added} by the "
        "sugar added)"
    )


def _unmeasured_since_sweetening(case: Case) -> Iterator[Refusal]:
    """Yield a refusal of a sweetened wine whose gravity nobody has read since: nothing shows that the sugar stays."""
    sweet, checks = case.sweetened(case.at_ms), case.checks()
    if sweet.at_ms is None or (checks and checks[-1][0] > sweet.at_ms):
        return
    lot = case.lot.lot
    line = (
        f"Bottling {lot!r} waits for a hydrometer check: sugar was added and its gravity has not been read "
        f"since{_should_read_words(case)}. Stir, wait a day, and enter it: "
        f"mustwatch record measure {lot!r} --gravity G --celsius T"
    )
    yield Refusal(RefusalKind.GATE, Reason.NO_AGREEING_CHECK, line)


def _bottling_gates(case: Case) -> Iterator[Refusal]:
    lot = case.lot.lot
    unfinished = [*_unfinished(case, "Bottling", _BURST[0].upper() + _BURST[1:])]
    yield from unfinished
    yield from _unmeasured_since_sweetening(case)
    checked_ms = since(Requirement.CHECKED, case)
    if checked_ms is not None and case.at_ms - checked_ms > CHECK_HOLDS_MS:
        days = (case.at_ms - checked_ms) / DAY_MS
        line = (
            f"Bottling {lot!r} waits for a fresh hydrometer check: the last one is {days:.0f} days old, "
            "and a wine "
            f"can start again. Enter it: mustwatch record measure {lot!r} --gravity G --celsius T"
        )
        yield Refusal(RefusalKind.GATE, Reason.NO_AGREEING_CHECK, line)
    if since(Requirement.STABLE, case) is None:
        already_told = any(refusal.reason is Reason.NOT_FINISHED for refusal in unfinished)
        line = (
            f"Bottling {lot!r} is dangerous: sugar may be left ({_gravity_words(case)}, dry is "
            f"{case.measures.gravity(case.profile.dry_gravity)} or below) and the yeast is alive"
            f"{'' if already_told else f': {_BURST}'}. Instead: let it ferment out, or stabilise it first, as the "
            "product's sheet says"
        )
        yield Refusal(RefusalKind.GATE, Reason.LIVE_YEAST_AND_SUGAR, line)


def _before_the_ferment(case: Case) -> bool:
    """Return whether the must has not begun to ferment: sulfite then protects it, and yeast comes later."""
    start, now = case.lot.starting_gravity(), case.newest_gravity()
    early = case.at_ms - case.lot.started_ms <= case.profile.onset_hours * HOUR_MS
    return early and (start is None or now is None or now > start - 0.005)


def _addition_gates(addition: Addition, case: Case) -> Iterator[Refusal]:
    purpose = purpose_of(addition)
    lot = case.lot.lot
    if purpose is Purpose.STABILISE:
        danger = (
            "Sorbate does not stop a ferment that is under way; it only keeps a finished wine from "
            "starting again"
        )
        yield from _unfinished(case, "Stabilising", danger)
    elif purpose is Purpose.SULFITE and not _before_the_ferment(case):
        danger = (
            "Sulfite in a ferment is bound at once, strains the yeast and can leave the wine stuck and sweet"
        )
        yield from _unfinished(case, "Sulfiting", danger)
    elif purpose is Purpose.SWEETEN or _sweetens_a_finished_wine(addition, case):
        yield from _sweetening_gates(case, lot)


def _sweetens_a_finished_wine(addition: Addition, case: Case) -> bool:
    """Return whether sugar goes into a finished wine without being said to be meant to ferment."""
    said_to_ferment = addition.purpose == Purpose.ENRICH
    return brings_sugar(addition) and not said_to_ferment and since(Requirement.FINISHED, case) is not None


def _sweetening_gates(case: Case, lot: str) -> Iterator[Refusal]:
    yield from _unfinished(
        case, "Sweetening", "Added sugar ferments with the rest, and the wine does not stay sweet"
    )
    if since(Requirement.STABILISED, case) is None:
        line = (
            f"Sweetening {lot!r} is dangerous: its yeast is alive and ferments the sugar, in the bottle if "
            "it is "
            f"bottled: {_BURST}. Instead: stabilise it first, as the product's sheet says; sugar that is "
            "meant to "
            "ferment is recorded with --purpose enrich"
        )
        yield Refusal(RefusalKind.GATE, Reason.LIVE_YEAST_AND_SUGAR, line)
