"""What scoring is made of: counts and delays, spells in which a finding was open, and what was to be observed."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from watch_case import Case

from mustwatch.watch.finding import Change, FindingKind, Transition

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS

TIME_TO_FIND_MS = 72 * HOUR_MS
"""An end or a stall that was observed for less long than this need not have been found."""

STALL_AHEAD_MS = 48 * HOUR_MS
"""``stuck`` said this long before the rate falls under 0.0008 a day is early, not false."""

DEPTH_C = 0.5
"""An excursion must be found if it goes this far beyond the limit: the thermometer's own error is up to 0.2 °C."""


@dataclass(slots=True)
class Score:
    """Of one kind of finding in one ferment: counts and, in hours, delays after the truth."""

    right: int = 0
    false: int = 0
    missed: int = 0
    repeated: int = 0
    delays_h: list[float] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)

    def add(self, other: "Score") -> None:
        """Add another ferment's score."""
        self.right += other.right
        self.false += other.false
        self.missed += other.missed
        self.repeated += other.repeated
        self.delays_h += other.delays_h
        self.remarks += other.remarks


def quantiles(values: Sequence[float]) -> dict[str, Any]:
    """Return count, median, 5 % and 95 % of some values."""
    if not values:
        return {"n": 0, "median": None, "p5": None, "p95": None}
    a = np.array(values)
    return {
        "n": len(values),
        "median": round(float(np.median(a)), 2),
        "p5": round(float(np.percentile(a, 5)), 2),
        "p95": round(float(np.percentile(a, 95)), 2),
    }


def raised(transitions: Sequence[Transition], kind: FindingKind) -> list[Transition]:
    """Return the raisings of a kind that open it (not those that change its severity)."""
    found, is_open = [], set()
    for t in transitions:
        if t.kind is not kind:
            continue
        if t.change is Change.CLEARED:
            is_open.discard(t.subject.sensor)
        elif t.subject.sensor not in is_open:
            is_open.add(t.subject.sensor)
            found.append(t)
    return found


def open_spells(
    transitions: Sequence[Transition], kind: FindingKind, ends_ms: int
) -> list[tuple[Transition, int]]:
    """Return each raising of a kind with the instant at which it was cleared (or the end)."""
    spells: list[tuple[Transition, int]] = []
    for t in raised(transitions, kind):
        cleared = (
            c.at_ms
            for c in transitions
            if c.kind is kind and c.change is Change.CLEARED and c.subject.sensor == t.subject.sensor
        )
        spells.append((t, min((at for at in cleared if at >= t.at_ms), default=ends_ms)))
    return spells


def observed_until(case: Case) -> int:
    """Return until when a working float spoke."""
    end = case.ends_ms
    for event in case.sensor_truth:
        if event.kind in ("dies", "freezes", "freezes-whole", "battery") and event.until_ms is None:
            is_float = any(s.id == event.sensor and s.kind == "float" for s in case.sensors)
            end = min(end, event.at_ms) if is_float else end
    gravity_ms = [
        r.observed_ms for r in case.readings if r.gravity is not None or r.inclination_deg is not None
    ]
    return min(end, max(gravity_ms, default=case.ends_ms))


def steps_ms(case: Case) -> list[int]:
    """Return the instants at which gravity stepped: sugar added, topped up."""
    return [d.at_ms for d in case.done if d.what in ("sugar", "top-up")]


def may_be_told_ms(case: Case, end_ms: int, until_ms: int, left: float = 0.002) -> int:
    """Return from when on a wine that has ended may be told: not while more than ``left`` is still to fall."""
    truth = case.truth
    here = (truth.t_ms >= end_ms) & (truth.t_ms < until_ms)
    gravity = truth.gravity[here]
    if not gravity.size:
        return end_ms
    return int(truth.t_ms[here][np.argmax(gravity <= gravity.min() + left)])


def still_to_fall(case: Case, at_ms: int) -> float:
    """Return by how much gravity falls below its value at an instant, until it is woken or something is added."""
    truth = case.truth
    until = [e.at_ms for e in truth.of("resume") if e.at_ms > at_ms] + [
        m for m in steps_ms(case) if m > at_ms
    ]
    here = (truth.t_ms >= at_ms) & (truth.t_ms < min(until, default=2**62))
    now = float(truth.gravity_at(at_ms))
    return max(0.0, now - float(truth.gravity[here].min(initial=now)))
