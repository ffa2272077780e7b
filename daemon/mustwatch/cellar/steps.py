"""What comes next for a lot: its profile's steps, held against its book, its findings and the clock that is given.

A step is *due* when every condition it names has come: a finding, a gravity, some days after something. A
condition that has not come yet may be forecast; the step's instant is then the latest of them. A task is *done*
when the book shows it (the k-th step done by a racking by the k-th racking, a check by a check that agrees, any
step by a note that names it or by being seen to), and *passed* when the lot is beyond its stage. One that was put off
is not due before the instant given, and one that was dropped does not come again.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Protocol

from mustwatch.cellar.additions import purpose_of
from mustwatch.cellar.analysis import quantities_of
from mustwatch.cellar.book import (
    Act,
    Addition,
    Attended,
    Bottling,
    Entry,
    EntryKind,
    Measurement,
    Note,
    StageChange,
)
from mustwatch.cellar.facts import NOTHING_KNOWN, Facts, Foreseen
from mustwatch.cellar.history import LotHistory, ferments_at
from mustwatch.cellar.instant import DAY_MS
from mustwatch.cellar.measures import PLAIN, Measures
from mustwatch.cellar.profile import OR, Band, Profile, Stage, Step
from mustwatch.cellar.requirements import AT_THE_LEVEL, WORDS, Case, Requirement, since
from mustwatch.cellar.strength import must_until

ORDER: dict[Stage, int] = {stage: position for position, stage in enumerate(Stage)}
"""The stages' order from pitch to bottle."""
OVERDUE_MS = DAY_MS
"""A step that has been due for longer than this is overdue; before, it is simply due."""
START = "start"
"""What ``after`` calls the lot's beginning."""
FREE_SO2 = f"{EntryKind.MEASURE}:free-so2"
"""What ``done_by`` calls a check that says the free SO2."""


class Due(StrEnum):
    """How a step stands to the present."""

    NOW = "now"
    OVERDUE = "overdue"
    LATER = "later"
    """Its instant is known or forecast."""
    WAITING = "waiting"
    """It waits for something whose instant is not known."""


class Timed(Protocol):
    """What is due some time: how it stands to the present, its instant and interval, or what it waits for."""

    @property
    def due(self) -> Due: ...
    @property
    def due_ms(self) -> int | None: ...
    @property
    def earliest_ms(self) -> int | None: ...
    @property
    def latest_ms(self) -> int | None: ...
    @property
    def waiting_for(self) -> str | None: ...


@dataclass(frozen=True, slots=True)
class NextStep:
    """A step that comes next.

    Attributes:
        step: the profile's step; ``do`` and ``ready`` are its words with the lot's volume and vessel filled in.
        due: how it stands to the present.
        due_ms: when it is (or was) due, or None if unknown; ``earliest_ms`` and ``latest_ms`` if forecast.
        waiting_for: what must happen before it is due, in words that follow "once", where no instant is known.
        first: what must be true before it may be done and is not, in words.
    """

    step: Step
    do: str
    ready: tuple[str, ...]
    due: Due
    due_ms: int | None = None
    earliest_ms: int | None = None
    latest_ms: int | None = None
    waiting_for: str | None = None
    first: tuple[str, ...] = ()


def _matches(entry: Entry, step: Step) -> bool:
    """Return whether an entry is of the kind that fulfils a step (a note by its tag is looked at elsewhere)."""
    return any(_is_of(entry, kind) for kind in (step.done_by or "").split(OR))


def _is_of(entry: Entry, wanted: str) -> bool:
    """Return whether an entry is of a kind, as ``rack``, ``add:sulfite`` or ``measure:free-so2``."""
    kind, _, purpose = wanted.partition(":")
    if kind not in list(EntryKind) or entry.kind != kind:
        return False
    if isinstance(entry.what, Bottling) and entry.what.in_part:
        return False
    if isinstance(entry.what, Addition):
        return not purpose or purpose_of(entry.what) == purpose
    if isinstance(entry.what, Measurement):
        return not purpose or any(quantity == purpose for quantity, _ in quantities_of(entry.what))
    return not isinstance(entry.what, Note)


def _said_done(lot: LotHistory, step: Step, at_ms: int) -> list[int]:
    return [e.at_ms for e in lot.entries if e.at_ms <= at_ms and _says_done(e, step.id)]


def _says_done(entry: Entry, step_id: str) -> bool:
    """Return whether an entry says in plain words that a step was done."""
    what = entry.what
    if isinstance(what, Attended):
        return what.item == step_id and what.act is Act.DONE
    return isinstance(what, Note) and what.step == step_id


def attended(entries: Iterable[Entry], item: str, at_ms: int) -> Attended | None:
    """Return what somebody said last of a thing that is due, up to an instant, or None."""
    said = [
        e.what for e in entries if e.at_ms <= at_ms and isinstance(e.what, Attended) and e.what.item == item
    ]
    return said[-1] if said else None


def is_dropped(entries: Iterable[Entry], item: str, at_ms: int) -> bool:
    """Return whether a thing that is due was dropped."""
    last = attended(entries, item, at_ms)
    return last is not None and last.act is Act.DROPPED


def put_off_ms(entries: Iterable[Entry], item: str, at_ms: int) -> int:
    """Return until when a thing that is due was put off, 0 if it was not (or was done since)."""
    last = attended(entries, item, at_ms)
    return (last.until_ms or 0) if last is not None and last.act is Act.PUT_OFF else 0


def _found_ms(finding: str, case: Case) -> int | None:
    """Return since when a finding holds; a ferment may also have ended by the winemaker's own checks."""
    found_ms = case.facts.findings.get(finding)
    return since(Requirement.FINISHED, case) if found_ms is None and finding == "finished" else found_ms


def _reference_ms(step: Step, profile: Profile, case: Case, seen: tuple[str, ...] = ()) -> int | None:
    """Return the instant from which a step's days count, or None while it has not come."""
    after = step.after
    if after is None:
        return _found_ms(step.finding, case) if step.finding else case.lot.started_ms
    if after == START:
        return case.lot.started_ms
    other = next((s for s in profile.steps if s.id == after), None)
    if other is not None:
        return None if other.id in seen else done_ms(other, profile, case, (*seen, other.id))
    of_kind = [e.at_ms for e in case.lot.entries if e.kind == after and e.at_ms <= case.at_ms]
    return of_kind[-1] if of_kind else None


def done_ms(step: Step, profile: Profile, case: Case, seen: tuple[str, ...] = ()) -> int | None:
    """Return when a step that is not repeated was done, or None if the book does not show it."""
    said = _said_done(case.lot, step, case.at_ms)
    if said:
        return said[0]
    if step.done_by in list(Requirement):
        return since(Requirement(step.done_by), case)
    done = [e.at_ms for e in case.lot.entries if e.at_ms <= case.at_ms and _matches(e, step)]
    if (step.done_by or "").startswith(EntryKind.MEASURE):
        from_ms = _reference_ms(step, profile, case, seen)
        return next((at_ms for at_ms in done if from_ms is not None and at_ms >= from_ms), None)
    for alike in (s for s in profile.steps if s.done_by == step.done_by and s.repeat_days is None):
        by = next((at_ms for at_ms in done if not _is_too_early(alike, case, at_ms)), None)
        if alike is step or by is None:
            return by
        done = [at_ms for at_ms in done if at_ms > by]
    return None


def _is_too_early(step: Step, case: Case, at_ms: int) -> bool:
    """Return whether a racking came while the wine fermented, for a step that waits until it has finished."""
    if step.done_by != EntryKind.RACK or Requirement.FINISHED not in step.requires:
        return False
    then = replace(case, at_ms=at_ms)
    ferments = ferments_at(case.lot.entries, at_ms, case.level() + AT_THE_LEVEL)
    return ferments and (since(Requirement.FINISHED, then) or at_ms + 1) > at_ms


def stage_now(profile: Profile, case: Case) -> Stage:
    """Return the stage a lot is in: as its entries tell, moved on by ``finished`` and by steps that lead on.

    What the winemaker said last (``record stage``) holds until something happens after it. Of what the watch says only
    the findings count, so that the stage of any instant can be told later too. A wine that ferments (again) is in its
    secondary at most, however often it was racked.
    """
    case = replace(case, facts=Facts(findings=case.facts.findings))
    lot = case.lot
    stage = lot.stage_at(case.at_ms)
    said = [e.at_ms for e in lot.entries if isinstance(e.what, StageChange) and e.at_ms <= case.at_ms]
    said_ms = said[-1] if said else None
    finished_ms = _found_ms("finished", case)
    if stage is Stage.SECONDARY and finished_ms is not None and (said_ms is None or finished_ms > said_ms):
        stage = Stage.CLEARING
    for step in profile.steps:
        if step.leads_to is None or step.done_by in list(Requirement) or step.repeat_days is not None:
            continue
        at_ms = done_ms(step, profile, case)
        if at_ms is None or (said_ms is not None and at_ms <= said_ms):
            continue
        if ORDER[step.leads_to] > ORDER[stage]:
            stage = step.leads_to
    again_ms = case.facts.findings.get("refermenting")
    if (
        again_ms is not None
        and stage in (Stage.CLEARING, Stage.MATURING)
        and (said_ms or again_ms) <= again_ms
    ):
        return Stage.SECONDARY
    return stage


def band_now(profile: Profile, case: Case) -> Band:
    """Return the temperature band a lot is judged by: its stage's, as ``stage_now`` tells it."""
    return profile.band_in(stage_now(profile, case))


def stages_through(
    lot: LotHistory, profile: Profile, held: Sequence[tuple[str, int, int | None]] = ()
) -> list[tuple[int, Stage]]:
    """Return the stages a lot went through, each with the instant it began, as ``stage_now`` told them then.

    Args:
        lot: its history; ``profile``: its steps.
        held: findings as (kind, since when, until when or None), milliseconds since the epoch.
    """
    turns = {at_ms for _, *span in held for at_ms in span if at_ms is not None and at_ms > lot.started_ms}
    instants = sorted({e.at_ms for e in lot.entries} | turns)
    found: list[tuple[int, Stage]] = []
    for at_ms in instants:
        then = {
            kind: begun for kind, begun, until in held if begun <= at_ms and (until is None or at_ms < until)
        }
        stage = stage_now(profile, Case(lot, profile, Facts(findings=then), at_ms))
        if not found or found[-1][1] is not stage:
            found.append((at_ms, stage))
        if stage is Stage.BOTTLED:
            break
    return found


def applies_in(step: Step, stage: Stage) -> bool:
    """Return whether a step belongs to a stage."""
    return ORDER[step.stage] <= ORDER[stage] <= ORDER[step.until or step.stage]


@dataclass(frozen=True, slots=True)
class _When:
    """When a step is due: an instant with its interval, or the words of what it waits for."""

    at: Foreseen | None
    waiting_for: str | None = None


def _exactly(at_ms: float) -> Foreseen:
    return Foreseen(int(at_ms), int(at_ms), int(at_ms))


_FOUND = {"rack-due": "racking is due", "finished": "the ferment has finished"}
"""What the findings that steps wait for mean, in words that follow "once"."""


def _by_finding(step: Step, case: Case) -> _When:
    kind = step.finding or ""
    found_ms = _found_ms(kind, case)
    if found_ms is not None:
        return _When(_exactly(found_ms))
    forecast = {"rack-due": case.facts.rack, "finished": case.facts.finish}.get(kind)
    return _When(forecast, None if forecast else _FOUND.get(kind, f"`{kind}` is told"))


def _by_sugar_used(share: float, profile: Profile, case: Case) -> _When:
    """Return when a share of the sugar has fermented: the gravity is that far down from the must's to the end's.

    Common practice: gravity falls nearly in proportion to the sugar that ferments.
    """
    must = must_until(case.lot, case.at_ms + 1)
    if must is None:
        return _When(None, "a gravity of the must is written down")
    limit = must.gravity - share * max(0.0, must.gravity - case.level())
    return _by_gravity(limit, profile, case)


def _by_gravity(limit: float, profile: Profile, case: Case) -> _When:
    gravity = case.newest_gravity()
    if gravity is not None and gravity <= limit:
        return _When(_exactly(case.facts.estimated_ms or case.at_ms))
    forecast = case.facts.rack if limit == profile.racking_gravity else None
    return _When(forecast, None if forecast else f"the gravity is down to {case.measures.gravity(limit)}")


def _by_days(step: Step, profile: Profile, case: Case) -> _When:
    from_ms = _reference_ms(step, profile, case)
    wait_ms = int((step.days or 0.0) * DAY_MS)
    if from_ms is not None:
        return _When(_exactly(from_ms + wait_ms))
    if step.after is None and step.finding is not None and (found := _by_finding(step, case).at) is not None:
        return _When(Foreseen(found.at_ms + wait_ms, found.earliest_ms + wait_ms, found.latest_ms + wait_ms))
    what = step.after or step.finding or START
    words = f"the step before it ({what}) is done" if step.after else _FOUND.get(what, f"`{what}` is told")
    return _When(None, f"{words}, and {step.days:g} days have passed" if step.days else words)


def _when(step: Step, profile: Profile, case: Case) -> _When:
    """Return when every condition of a step has come: the latest instant, or what is waited for."""
    conditions: list[_When] = []
    if step.finding is not None:
        conditions.append(_by_finding(step, case))
    if step.gravity is not None:
        conditions.append(_by_gravity(step.gravity, profile, case))
    if step.sugar_used is not None:
        conditions.append(_by_sugar_used(step.sugar_used, profile, case))
    if step.days is not None or step.after is not None:
        conditions.append(_by_days(step, profile, case))
    waiting = next((c.waiting_for for c in conditions if c.at is None), None)
    if waiting is not None:
        return _When(None, waiting)
    instants = [c.at for c in conditions if c.at is not None]
    return _When(max(instants, default=_exactly(case.lot.started_ms)))


def _put_off(when: _When, step: Step, case: Case) -> _When:
    """Return when a step is due that may have been put off: not before then."""
    until_ms = put_off_ms(case.lot.entries, step.id, case.at_ms)
    if when.at is None or until_ms <= when.at.at_ms:
        return when
    return _When(_exactly(until_ms))


def _due(when: _When, now_ms: int) -> Due:
    if when.at is None:
        return Due.WAITING
    if when.at.at_ms > now_ms:
        return Due.LATER
    return Due.OVERDUE if now_ms - when.at.at_ms > OVERDUE_MS else Due.NOW


def standing(due_ms: int, now_ms: int) -> Due:
    """Return how a thing that is due at a known instant stands to the present."""
    return _due(_When(_exactly(due_ms)), now_ms)


def fill(text: str, lot: LotHistory) -> str:
    """Return a step's words with ``{litres}`` and ``{vessel}`` filled in."""
    litres = lot.litres
    size = "the lot's volume" if litres is None else PLAIN.volume(litres)
    return text.replace("{litres}", size).replace("{vessel}", lot.vessel or "the vessel")


def _next_step(step: Step, profile: Profile, case: Case) -> NextStep:
    when = _put_off(_when(step, profile, case), step, case)
    unmet = [Requirement(name) for name in step.requires if since(Requirement(name), case) is None]
    at = when.at
    forecast = at is not None and at.earliest_ms != at.latest_ms
    return NextStep(
        step=step,
        do=fill(step.do, case.lot),
        ready=tuple(fill(item, case.lot) for item in step.ready),
        due=_due(when, case.at_ms),
        due_ms=at.at_ms if at is not None else None,
        earliest_ms=at.earliest_ms if at is not None and forecast else None,
        latest_ms=at.latest_ms if at is not None and forecast else None,
        waiting_for=when.waiting_for,
        first=tuple(WORDS[requirement] for requirement in unmet),
    )


def next_steps(
    lot: LotHistory,
    profile: Profile,
    now_ms: int,
    facts: Facts = NOTHING_KNOWN,
    at_most: int = 2,
    measures: Measures = PLAIN,
) -> list[NextStep]:
    """Return the next tasks of a lot, in the profile's order; none once it is bottled.

    Repeated steps and pieces of advice are not tasks; see ``cellar.guidance.reminders``.
    """
    case = Case(lot, profile, facts, now_ms, measures)
    stage = stage_now(profile, case)
    if stage is Stage.BOTTLED or lot.ended_ms is not None:
        return []
    tasks = [s for s in profile.steps if s.repeat_days is None and s.lasts_days is None]
    ahead = [s for s in tasks if ORDER[s.until or s.stage] >= ORDER[stage]]
    open_tasks = [
        s for s in ahead if not is_dropped(lot.entries, s.id, now_ms) and done_ms(s, profile, case) is None
    ]
    return [_next_step(step, profile, case) for step in open_tasks[:at_most]]


def holding(
    lot: LotHistory, profile: Profile, now_ms: int, facts: Facts = NOTHING_KNOWN, ahead_ms: int = 0
) -> list[NextStep]:
    """Return the repeated steps that are due, or will be within ``ahead_ms``, and the advice that holds now."""
    case = Case(lot, profile, facts, now_ms)
    stage = stage_now(profile, case)
    if stage is Stage.BOTTLED or lot.ended_ms is not None:
        return []
    found: list[NextStep] = []
    for step in profile.repeated:
        if not applies_in(step, stage) or is_dropped(lot.entries, step.id, now_ms):
            continue
        if step.lasts_days is not None:
            advice = _next_step(step, profile, case)
            ends_ms = None if advice.due_ms is None else advice.due_ms + step.lasts_days * DAY_MS
            if ends_ms is not None and advice.due in (Due.NOW, Due.OVERDUE) and now_ms < ends_ms:
                found.append(advice)
        elif (told := _repeated(step, profile, case)) is not None and (told.due_ms or 0) <= now_ms + ahead_ms:
            found.append(told)
    return found


def _repeated(step: Step, profile: Profile, case: Case) -> NextStep | None:
    """Return when a repeated step is due next: its interval after it was done last, or after it first applied."""
    first = _when(step, profile, case).at
    entered_ms = _entered_ms(step.stage, profile, case)
    done = _last_done(case, step)
    begins_ms = max([m for m in (first.at_ms if first else None, entered_ms) if m is not None], default=None)
    if first is None or begins_ms is None:
        return None
    interval_ms = (step.repeat_days or 0.0) * DAY_MS
    # With days of its own the step is due first after those; without, one interval after the stage began.
    first_ms = begins_ms if step.days is not None else begins_ms + interval_ms
    due_ms = first_ms if done is None else max(first_ms, done + interval_ms)
    when = _put_off(_When(_exactly(due_ms)), step, case)
    told = _next_step(step, profile, case)
    return replace(told, due=_due(when, case.at_ms), due_ms=when.at.at_ms if when.at else None)


def _entered_ms(stage: Stage, profile: Profile, case: Case) -> int | None:
    """Return when a lot first came to a stage or beyond, by its entries or a step, or None (reached by a finding)."""
    reached = [at_ms for at_ms, of in case.lot.stages if ORDER[of] >= ORDER[stage] and at_ms <= case.at_ms]
    leading = (s for s in profile.steps if s.leads_to is not None and ORDER[s.leads_to] >= ORDER[stage])
    reached += [at_ms for s in leading if (at_ms := done_ms(s, profile, case)) is not None]
    return min(reached, default=None)


def _last_done(case: Case, step: Step) -> int | None:
    done = _said_done(case.lot, step, case.at_ms)
    done += [e.at_ms for e in case.lot.entries if e.at_ms <= case.at_ms and _matches(e, step)]
    return max(done, default=None)
