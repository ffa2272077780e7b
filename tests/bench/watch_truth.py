"""Findings against the truth: for every kind what was right, false and missed, and how long it took.

A ferment is judged as far as it was observed: an event within the last hours of the run, or after the only float
died, asks for no finding. The tolerances are stated with each rule.
"""

from collections.abc import Callable, Sequence

import numpy as np
from watch_case import Case
from watch_judging import (
    DAY_MS,
    DEPTH_C,
    HOUR_MS,
    STALL_AHEAD_MS,
    TIME_TO_FIND_MS,
    Score,
    may_be_told_ms,
    observed_until,
    open_spells,
    raised,
    steps_ms,
    still_to_fall,
)

from mustsim.truth import Event
from mustwatch.cellar.book import Entry
from mustwatch.cellar.history import lot_history
from mustwatch.cellar.profile import Stage
from mustwatch.cellar.steps import stages_through
from mustwatch.watch.finding import FindingKind, Transition, kind_named, kinds
from mustwatch.watch.observation import Observation
from mustwatch.watch.slots import SLOT_MS


def score_finished(case: Case, transitions: Sequence[Transition]) -> Score:
    """``finished``: false while more than 0.002 is still to fall, the wine is above dryness, or sugar has been added.

    Missed if it was not told although it could be for three days: from the end on, and from when no more than 0.002 was
    left. The delay is counted from the end, which may come before that.
    """
    score = Score()
    found = raised(transitions, kind_named("finished"))
    dry = case.profile.dry_gravity
    held = open_spells(transitions, kind_named("finished"), case.ends_ms)
    fed = [d.at_ms for d in case.done if d.what == "sugar"]
    for t in found:
        # Of what is added at the very end of a slot the finding knows nothing yet.
        known_ms = t.at_ms - SLOT_MS if t.at_ms in fed else t.at_ms
        left, gravity = still_to_fall(case, known_ms), float(case.truth.gravity_at(known_ms))
        if left > 0.002 or gravity > dry + 0.0005:
            score.false += 1
            score.remarks.append(
                f"{case.name}/{case.seed}: finished with {left:.4f} to fall at {gravity:.4f}"
            )
    for t, ceased in held:
        for at_ms in fed:
            if t.at_ms <= at_ms < ceased - HOUR_MS:
                score.false += 1
                score.remarks.append(f"{case.name}/{case.seed}: finished held although sugar was added")
    ends = [e for e in case.truth.events if e.kind in ("end", "pause") and (e.value or 0.0) <= dry]
    resumes = [e.at_ms for e in case.truth.of("resume")]
    for i, end in enumerate(ends):
        until = ends[i + 1].at_ms if i + 1 < len(ends) else observed_until(case)
        until = min([until, observed_until(case), *(at for at in resumes if at > end.at_ms)])
        since = max((at for at in (*resumes, *fed) if at <= end.at_ms), default=0)
        hit = next((t for t in found if since < t.at_ms <= until + DAY_MS), None)
        if hit is not None:
            score.right += 1
            score.delays_h.append((hit.at_ms - end.at_ms) / HOUR_MS)
        elif any(t.at_ms <= since and ceased > end.at_ms for t, ceased in held):
            score.right += 1  # it moved by too little to be noticed, and holds still: no delay to speak of
        elif until - may_be_told_ms(case, end.at_ms, until) >= TIME_TO_FIND_MS:
            score.missed += 1
            score.remarks.append(
                f"{case.name}/{case.seed}: finished missed, observed {(until - end.at_ms) / DAY_MS:.1f} d"
            )
    return score


def score_stuck(case: Case, transitions: Sequence[Transition]) -> Score:
    """``stuck``: false unless the wine has stalled above dryness or does so within two days."""
    score = Score()
    found = raised(transitions, kind_named("stuck"))
    stalls = case.truth.of("stall")
    for t in found:
        if not any(e.at_ms - STALL_AHEAD_MS <= t.at_ms <= (e.until_ms or case.ends_ms) for e in stalls):
            score.false += 1
            gravity = float(case.truth.gravity_at(t.at_ms))
            rate = float(np.interp(t.at_ms, case.truth.t_ms, case.truth.rate_per_day))
            score.remarks.append(f"{case.name}/{case.seed}: stuck at {gravity:.4f} falling {rate:.4f}")
    for stall in stalls:
        until = min(stall.until_ms or case.ends_ms, observed_until(case))
        hit = next((t for t in found if stall.at_ms - STALL_AHEAD_MS <= t.at_ms <= until + DAY_MS), None)
        if hit is not None:
            score.right += 1
            score.delays_h.append((hit.at_ms - stall.at_ms) / HOUR_MS)
        elif until - stall.at_ms >= TIME_TO_FIND_MS:
            score.missed += 1
            score.remarks.append(
                f"{case.name}/{case.seed}: stuck missed, observed {(until - stall.at_ms) / DAY_MS:.1f} d"
            )
    return score


def score_rack_due(case: Case, transitions: Sequence[Transition]) -> Score:
    """``rack-due``: against the first true crossing; false if gravity is more than 0.003 above, or never crosses."""
    score = Score()
    found = raised(transitions, kind_named("rack-due"))
    crossing = case.truth.first("crossing")
    for t in found[:1]:
        if crossing is None or float(case.truth.gravity_at(t.at_ms)) > case.truth.racking_gravity + 0.003:
            score.false += 1
            score.remarks.append(
                f"{case.name}/{case.seed}: rack-due at {float(case.truth.gravity_at(t.at_ms)):.4f}"
            )
        else:
            score.right += 1
            if observed_until(case) > crossing.at_ms:
                score.delays_h.append((t.at_ms - crossing.at_ms) / HOUR_MS)
    score.repeated += max(0, len(found) - 1 - len(steps_ms(case)))
    racked = any(
        d.what == "rack" and crossing is not None and d.at_ms < crossing.at_ms + DAY_MS for d in case.done
    )
    if crossing is not None and not found and not racked and observed_until(case) - crossing.at_ms > DAY_MS:
        score.missed += 1
        score.remarks.append(f"{case.name}/{case.seed}: rack-due missed")
    return score


def score_excursions(
    kind: FindingKind, event_kind: str, sign: float
) -> Callable[[Case, Sequence[Transition]], Score]:
    """Return the scoring of ``too-warm`` or ``too-cold``.

    An excursion must be found if it lasts longer than the dwell and a quarter of an hour and goes beyond the limit by
    ``DEPTH_C``; a finding is false if the must was not beyond the limit (less 0.3 °C) in the two hours before it.
    Spells that never came back by half a degree in between are one excursion.
    """

    def score_kind(case: Case, transitions: Sequence[Transition]) -> Score:
        score = Score()
        truth = case.truth
        beyond = sign * (truth.temperature_c - _limits(case, transitions, sign))
        found = raised(transitions, kind)
        held = open_spells(transitions, kind, case.ends_ms)
        said = [e for e in case.events if isinstance(e, Observation) and e.temperature_c is not None]
        heard = np.array([e.at_ms for e in said], dtype=np.int64)
        for t in found:
            near = (truth.t_ms >= t.at_ms - 2 * HOUR_MS) & (truth.t_ms <= t.at_ms)
            if not near.any() or beyond[near].max() < -0.3:
                score.false += 1
                score.remarks.append(
                    f"{case.name}/{case.seed}: {kind} with {beyond[near].max(initial=-99):.2f} °C beyond"
                )
        for begin, end in _merged(truth.t_ms, beyond):
            here = (truth.t_ms >= begin) & (truth.t_ms <= end)
            alerts = [t for t, until in held if t.at_ms <= end + HOUR_MS and until >= begin]
            deep = here & (beyond >= DEPTH_C)
            long_enough = deep.any() and truth.t_ms[deep][-1] - truth.t_ms[deep][0] >= (
                case.profile.dwell_minutes * 60_000 + 15 * 60_000
            )
            if alerts:
                score.right += 1
                score.repeated += len(alerts) - 1
                score.delays_h.append((alerts[0].at_ms - begin) / HOUR_MS)
            elif long_enough:
                deep_ms = truth.t_ms[deep]
                spoke = heard[(heard >= deep_ms[0]) & (heard <= deep_ms[-1])]
                if spoke.size >= 3 and not any(
                    e.kind in ("freezes", "freezes-whole") and e.at_ms <= end for e in case.sensor_truth
                ):
                    score.missed += 1
                    score.remarks.append(
                        f"{case.name}/{case.seed}: {kind} missed, {beyond[here].max():.2f} °C beyond"
                    )
        return score

    _ = event_kind
    return score_kind


def _limits(case: Case, transitions: Sequence[Transition], sign: float) -> np.ndarray:
    """Return the band's limit at each instant of the truth: it changes with the stage, by entries and findings."""
    history = lot_history(case.lot, [e for e in case.events if isinstance(e, Entry)])
    assert history is not None
    held = [
        (kind.name, t.at_ms, until)
        for kind in kinds()
        for t, until in open_spells(transitions, kind, case.ends_ms)
    ]
    limits = np.empty(case.truth.t_ms.size)
    for from_ms, stage in ((0, Stage.PRIMARY), *stages_through(history, case.profile, held)):
        band = case.profile.band_in(stage)
        limits[case.truth.t_ms >= from_ms] = band.high_c if sign > 0 else band.low_c
    return limits


def _merged(t_ms: np.ndarray, beyond: np.ndarray) -> list[tuple[int, int]]:
    """Return the spells beyond 0, those that never came back by half a degree for half an hour taken as one."""
    spells: list[tuple[int, int]] = []
    is_open, begin, inside = False, 0, 0
    for at, by in zip(t_ms.tolist(), beyond.tolist(), strict=True):
        if by > 0.0:
            if not is_open:
                is_open, begin = True, at
            inside = 0
        elif is_open and by <= -0.5:
            inside = inside or at
            if at - inside >= 45 * 60_000:
                spells.append((begin, at))
                is_open = False
        elif is_open:
            inside = 0
    if is_open:
        spells.append((begin, int(t_ms[-1])))
    return spells


def score_events(
    kind: FindingKind, expected: Callable[[Case], list[Event]], early_h: float
) -> Callable[[Case, Sequence[Transition]], Score]:
    """Return the scoring of a kind against true events: found from ``early_h`` before each until its end."""

    def score_kind(case: Case, transitions: Sequence[Transition]) -> Score:
        score = Score()
        held = open_spells(transitions, kind, case.ends_ms)
        events = expected(case)
        spans = [(e.at_ms - early_h * HOUR_MS, (e.until_ms or case.ends_ms) + DAY_MS) for e in events]
        for t, _ in held:
            if not any(a <= t.at_ms <= b for a, b in spans):
                score.false += 1
                score.remarks.append(f"{case.name}/{case.seed}: {kind} false {dict(t.evidence)}")
        for event, (a, b) in zip(events, spans, strict=True):
            hits = [
                t
                for t, until in held
                if until >= a and t.at_ms <= b and event.sensor in (None, t.subject.sensor)
            ]
            if event.value == MAYBE:
                continue
            if hits:
                score.right += 1
                score.delays_h.append((hits[0].at_ms - event.at_ms) / HOUR_MS)
            else:
                score.missed += 1
                score.remarks.append(f"{case.name}/{case.seed}: {kind} missed")
        return score

    return score_kind


MAYBE = -1.0
"""Value of an event that may be found but need not be: too short or too near the limit."""


def _late(case: Case) -> list[Event]:
    due_ms = case.started_ms + round(case.profile.onset_hours * HOUR_MS)
    onset = case.truth.first("onset")
    onset_ms = onset.at_ms if onset else case.ends_ms
    if onset_ms <= due_ms - 12 * HOUR_MS:
        return []
    must = onset_ms - due_ms > 12 * HOUR_MS and observed_until(case) > due_ms + 12 * HOUR_MS
    return [Event("late", due_ms, onset_ms, None if must else MAYBE)]


def _slow(case: Case) -> list[Event]:
    """Slow spells above 1.005 as the truth marks them; slow below it may be found too."""
    truth = case.truth
    spells = [
        e._replace(
            value=None
            if (e.until_ms or 0) - e.at_ms > 60 * HOUR_MS and observed_until(case) > e.at_ms + 60 * HOUR_MS
            else MAYBE
        )
        for e in truth.of("slow")
    ]
    slow = (
        (truth.rate_per_day > -0.0025) & (truth.gravity <= 1.006) & (truth.gravity > case.profile.dry_gravity)
    )
    slow |= (truth.rate_per_day > -0.006) & (truth.gravity > 1.005)
    onset = truth.first("onset")
    if onset is not None:
        slow &= truth.t_ms > onset.at_ms
        for begin, end in _runs(slow):
            if truth.t_ms[end] - truth.t_ms[begin] > 18 * HOUR_MS:
                spells.append(Event("slow", int(truth.t_ms[begin]), int(truth.t_ms[end]), MAYBE))
    return spells


def _runs(holds: np.ndarray) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate(([False], holds, [False])).astype(np.int8)))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _resumed(case: Case) -> list[Event]:
    found = []
    for resume in case.truth.of("resume"):
        before = [
            e
            for e in case.truth.of("pause")
            if e.at_ms < resume.at_ms and (e.value or 1.0) <= case.profile.dry_gravity
        ]
        falls = still_to_fall(case, resume.at_ms)
        if before and resume.at_ms - before[-1].at_ms > TIME_TO_FIND_MS:
            must = falls > 0.003 and observed_until(case) > resume.at_ms + 48 * HOUR_MS
            found.append(Event("resume", resume.at_ms, None, None if must else MAYBE))
    return found


def _frozen(case: Case) -> list[Event]:
    floats = {s.id for s in case.sensors if s.kind == "float"}
    found = []
    for e in case.sensor_truth:
        if e.kind in ("freezes", "freezes-whole") and (e.sensor in floats or e.kind == "freezes"):
            spoke = [r.observed_ms for r in case.readings if r.sensor == e.sensor and r.observed_ms > e.at_ms]
            long = bool(spoke) and spoke[-1] - e.at_ms > 60 * HOUR_MS
            found.append(Event("frozen", e.at_ms, e.until_ms, None if long else MAYBE, e.sensor))
    return found


def _adrift(case: Case) -> list[Event]:
    """A check that finds a float off by more than 0.004 must be told, one off by more than 0.0015 may be."""
    found = []
    for e in case.sensor_truth:
        if e.kind != "drift":
            continue
        for d in case.done:
            if d.what in ("measure", "rack") and d.gravity_shown is not None and d.at_ms > e.at_ms:
                days = (min(d.at_ms, e.until_ms or d.at_ms) - e.at_ms) / DAY_MS
                off = abs(case.drift_per_day * days)
                if off > 0.0015:
                    found.append(Event("adrift", d.at_ms, None, None if off > 0.004 else MAYBE, e.sensor))
    return found[:1] if found and found[0].value != MAYBE else found[:2]


def _low_battery(case: Case) -> list[Event]:
    found = []
    for s in case.sensors:
        low = [
            r.observed_ms
            for r in case.readings
            if r.sensor == s.id and r.battery_v is not None and r.battery_v < 3.4
        ]
        if low:
            found.append(Event("battery", low[0], None, None if len(low) >= 12 else MAYBE, s.id))
    return found


def _swings(case: Case) -> list[Event]:
    truth, found = case.truth, []
    local = (truth.t_ms // 60_000) % 1440
    is_night = (local >= 18 * 60) | (local < 9 * 60)
    for begin, end in _runs(is_night):
        t = truth.temperature_c[begin : end + 1]
        swing = float(t.max() - t.min())
        limit = case.profile.night_swing_c
        if swing > limit - 0.5:
            found.append(
                Event(
                    "swing",
                    int(truth.t_ms[begin]),
                    int(truth.t_ms[end]),
                    None if swing > limit + 0.5 else MAYBE,
                )
            )
    merged: list[Event] = []
    for e in found:
        if merged and e.at_ms - (merged[-1].until_ms or 0) < DAY_MS:
            both = None if None in (merged[-1].value, e.value) else MAYBE
            merged[-1] = Event("swing", merged[-1].at_ms, e.until_ms, both)
        else:
            merged.append(e)
    return merged


def _fast(case: Case) -> list[Event]:
    truth = case.truth
    change = np.zeros_like(truth.temperature_c)
    change[4:] = np.abs(truth.temperature_c[4:] - truth.temperature_c[:-4])
    limit = case.profile.fast_change_c_per_hour
    racked = [d.at_ms for d in case.done if d.what in ("rack", "top-up", "sugar")]
    found = []
    for begin, end in _runs(change > limit - 0.5):
        at, until = int(truth.t_ms[begin]), int(truth.t_ms[end])
        is_done = any(at - 3 * HOUR_MS <= m <= until for m in racked)
        must = float(change[begin : end + 1].max()) > limit + 0.5 and until - at >= HOUR_MS and not is_done
        found.append(Event("fast", at, until, None if must else MAYBE))
    return found


SCORES: dict[FindingKind, Callable[[Case, Sequence[Transition]], Score]] = {
    kind_named("finished"): score_finished,
    kind_named("stuck"): score_stuck,
    kind_named("rack-due"): score_rack_due,
    kind_named("refermenting"): score_events(kind_named("refermenting"), _resumed, 0.0),
    kind_named("late-onset"): score_events(kind_named("late-onset"), _late, 12.0),
    kind_named("sluggish"): score_events(kind_named("sluggish"), _slow, 0.0),
    kind_named("too-warm"): score_excursions(kind_named("too-warm"), "too-warm", 1.0),
    kind_named("too-cold"): score_excursions(kind_named("too-cold"), "too-cold", -1.0),
    kind_named("fast-change"): score_events(kind_named("fast-change"), _fast, 0.5),
    kind_named("night-swing"): score_events(kind_named("night-swing"), _swings, 0.5),
    kind_named("float-frozen"): score_events(kind_named("float-frozen"), _frozen, 0.0),
    kind_named("float-adrift"): score_events(kind_named("float-adrift"), _adrift, 0.5),
    kind_named("battery-low"): score_events(kind_named("battery-low"), _low_battery, 0.0),
}
