"""What must be true of a wine before it is stabilised, sweetened or bottled, and since when it has been.

A wine bottled too early can burst its bottles, so every claim here wants evidence: what is not known counts
as not true. The winemaker may overrule a gate with a reason, which the book keeps.
"""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

from mustwatch.cellar.additions import Purpose, brings_sugar, purpose_of
from mustwatch.cellar.book import Addition, Measurement, Racking
from mustwatch.cellar.facts import HYDROMETER_SD, Facts, allowance
from mustwatch.cellar.history import LotHistory
from mustwatch.cellar.instant import DAY_MS, HOUR_MS
from mustwatch.cellar.measures import PLAIN, Measures
from mustwatch.cellar.profile import Profile
from mustwatch.cellar.strength import sugar_raises
from mustwatch.cellar.told import Parted

EQUAL_CHECKS = 0.0015
"""Two checks this close count as equal: the eye reads a 0.002 scale to half a division. Common practice."""
AT_THE_LEVEL = 0.001
"""A gravity may lie this far above the level it has to reach: the error of one check. Common practice."""
STILL_FALLING_PER_DAY = -0.001
"""A rate surely below this says that the wine still ferments, whatever else says it has finished."""
CHECK_HOLDS_MS = 14 * DAY_MS
"""A check older than this is repeated before bottling. Common practice: dip once more on the day."""


RISE_SHARE = 0.1
"""The rise by added sugar is known to a tenth: volumes are read off a scale, sugar is moist. Common practice, no
source."""


class Requirement(StrEnum):
    """What a step or a gate can ask for, by the name that profiles use."""

    FINISHED = "finished"
    CHECKED = "checked"
    DRY = "dry"
    STABILISED = "stabilised"
    STABLE = "stable"
    SULFITED = "sulfited"
    RACKED = "racked"


WORDS: Mapping[Requirement, str] = {
    Requirement.FINISHED: "the ferment has finished",
    Requirement.CHECKED: "a hydrometer check agrees that it has finished",
    Requirement.DRY: "it is dry",
    Requirement.STABILISED: "it has been stabilised",
    Requirement.STABLE: "no sugar is left that live yeast could ferment (dry, or stabilised)",
    Requirement.SULFITED: "it has been sulfited",
    Requirement.RACKED: "it has been racked",
}


class Sweetened(NamedTuple):
    """When sugar that is to stay last went in (None: never), and how far all of it lifts gravity (None: unknown)."""

    at_ms: int | None
    rise: float | None

    @property
    def slack(self) -> float:
        """Return by how much two gravities may differ more because the rise is known to a tenth only."""
        return RISE_SHARE * (self.rise or 0.0)


@dataclass(frozen=True, slots=True)
class Case:
    """A lot as it stood at an instant: its book up to then, its limits, what the watch says, and how it is said."""

    lot: LotHistory
    profile: Profile
    facts: Facts
    at_ms: int
    measures: Measures = PLAIN

    def checks(self) -> list[tuple[int, float]]:
        """Return the hydrometer checks up to the instant as (when, gravity 20/20), oldest first.

        A racking at which the hydrometer was read is one; the daemon's own estimate is not.
        """
        checks: list[tuple[int, float]] = []
        for entry in self.lot.entries:
            what = entry.what
            if not isinstance(what, Measurement | Racking) or entry.at_ms > self.at_ms:
                continue
            if what.gravity is not None and not (isinstance(what, Racking) and what.from_sensors):
                checks.append((entry.at_ms, what.gravity))
        return checks

    def additions(self, purpose: Purpose) -> list[int]:
        """Return when additions of a purpose were made up to the instant, oldest first."""
        return [at_ms for at_ms, what, _ in self._additions() if purpose_of(what) is purpose]

    def _additions(self) -> Iterator[tuple[int, Addition, str | None]]:
        for entry in self.lot.entries:
            if isinstance(entry.what, Addition) and entry.at_ms <= self.at_ms:
                yield entry.at_ms, entry.what, entry.despite

    def sugar_at(self) -> int | None:
        """Return when sugar was last given to yeast that was alive (not after stabilising), or None."""
        last: int | None = None
        stabilised = False
        for at_ms, what, _ in self._additions():
            purpose = purpose_of(what)
            if purpose is Purpose.STABILISE:
                stabilised = True
            elif purpose is Purpose.YEAST:
                stabilised = False
            elif brings_sugar(what) and not stabilised:
                last = at_ms
        return last

    def sweetened(self, at_ms: int) -> Sweetened:
        """Return what the sugar given after stabilising, up to an instant, should have raised the gravity by."""
        stabilised, last_ms = False, None
        rise: float | None = 0.0
        for added_ms, what, _ in self._additions():
            purpose = purpose_of(what)
            if purpose in (Purpose.STABILISE, Purpose.YEAST):
                stabilised = purpose is Purpose.STABILISE
            elif stabilised and brings_sugar(what) and added_ms <= at_ms:
                last_ms = added_ms
                by = sugar_raises(self.lot, added_ms, what, self.level() + (rise or 0.0))
                rise = None if by is None or rise is None else rise + by
        return Sweetened(last_ms, rise)

    def level(self) -> float:
        """Return the gravity at which this wine may be called finished: dry, or the target of a sweet one."""
        target = self.lot.start.target_gravity
        return self.profile.dry_gravity if target is None else max(self.profile.dry_gravity, target)

    def is_still_falling(self) -> bool:
        """Return whether the watch's rate surely says that it still ferments."""
        rate, sd = self.facts.rate_per_day, self.facts.rate_sd
        return rate is not None and rate + 2.0 * (sd or 0.0) < STILL_FALLING_PER_DAY

    def contradicted_by(self) -> str | None:
        """Return the finding that says the wine cannot be finished, or None."""
        found = (kind for kind in ("refermenting", "stuck") if kind in self.facts.findings)
        return next(found, None)

    def newest_gravity(self) -> float | None:
        """Return the gravity known last, from the book or from the estimate, 20/20."""
        book = [known for known in self.lot.gravities() if known[0] <= self.at_ms]
        estimate, estimate_ms = self.facts.gravity, self.facts.estimated_ms
        if estimate is not None and (not book or estimate_ms is None or estimate_ms > book[-1][0]):
            return estimate
        return book[-1][1] if book else None


def _settled_by_checks(case: Case) -> int | None:
    """Return since when equal checks, far enough apart and at the level, show that the ferment has ended.

    Of a wine sweetened after stabilising, each check is compared less the rise of the sugar that was in; two equal
    ones after the sweetening also tell that it stays, whatever its level.

    Source: common practice, two equal hydrometer readings two or three days apart.
    """
    sugar_ms = case.sugar_at()
    checks = [c for c in case.checks() if sugar_ms is None or c[0] > sugar_ms]
    if len(checks) < 2:
        return None
    sweet = case.sweetened(checks[-1][0])
    if not _is_too_sweet(case, *checks[-1]):
        settled = _equal_since(
            [(at_ms, gravity - (case.sweetened(at_ms).rise or 0.0)) for at_ms, gravity in checks],
            EQUAL_CHECKS + sweet.slack,
            case,
        )
        if settled is not None:
            return settled
    later = [c for c in checks if sweet.at_ms is not None and c[0] > sweet.at_ms]
    return _equal_since(later, EQUAL_CHECKS, case) if later else None


def _equal_since(checks: list[tuple[int, float]], allowed: float, case: Case) -> int | None:
    """Return when the newest checks were equal for long enough, or None."""
    equal: list[int] = []
    for at_ms, gravity in reversed(checks):
        if abs(gravity - checks[-1][1]) > allowed:
            break
        equal.append(at_ms)
    apart_ms = case.profile.settled_hours * HOUR_MS
    return next((at_ms for at_ms in reversed(equal) if at_ms - equal[-1] >= apart_ms), None)


def _is_too_sweet(case: Case, at_ms: int, gravity: float) -> bool:
    """Return whether a check lies above the level and what the sugar given after stabilising explains."""
    sweet = case.sweetened(at_ms)
    return gravity - (sweet.rise or 0.0) > case.level() + AT_THE_LEVEL + sweet.slack


def should_read(case: Case) -> tuple[float, float] | None:
    """Return what a sweetened wine should read now, with what it read before, or None if it cannot be told."""
    sweet = case.sweetened(case.at_ms)
    if sweet.at_ms is None or not sweet.rise:
        return None
    before = [
        (at_ms, g - (case.sweetened(at_ms).rise or 0.0)) for at_ms, g in case.checks() if at_ms < sweet.at_ms
    ]
    return (before[-1][1] + sweet.rise, before[-1][1]) if before else None


def has_lost_sugar(case: Case, at_ms: int, gravity: float) -> bool:
    """Return whether a check lies surely below what a sweetened wine should read: the sugar ferments."""
    expected, sweet = should_read(case), case.sweetened(at_ms)
    if expected is None or sweet.at_ms is None or at_ms <= sweet.at_ms:
        return False
    return gravity < expected[0] - sweet.slack - allowance(HYDROMETER_SD)


def finished_since(case: Case) -> int | None:
    """Return since when the ferment has ended, or None if that is not known.

    From the finding, from equal checks, or from a stabilising that no gate had refused (sweetening afterwards
    raises the gravity, which must not make the wine unfinished).
    """
    if case.contradicted_by() is not None or case.is_still_falling():
        return None
    sugar_ms = case.sugar_at()
    told_ms = case.facts.findings.get("finished")
    stabilised = [
        at_ms
        for at_ms, what, despite in case._additions()
        if purpose_of(what) is Purpose.STABILISE and despite is None
    ]
    parted = [e.at_ms for e in case.lot.entries if isinstance(e.what, Parted) and e.what.finished]
    candidates = [ms for ms in (told_ms, _settled_by_checks(case), *stabilised, *parted) if ms is not None]
    return min((ms for ms in candidates if sugar_ms is None or ms > sugar_ms), default=None)


def checked_since(case: Case) -> int | None:
    """Return when the newest check was made, if it agrees with the float or with an earlier check."""
    checks = case.checks()
    sugar_ms = case.sugar_at()
    if not checks or "float-adrift" in case.facts.findings:
        return None
    at_ms, gravity = checks[-1]
    if sugar_ms is not None and at_ms <= sugar_ms:
        return None
    if has_lost_sugar(case, at_ms, gravity):
        return None
    if _is_too_sweet(case, at_ms, gravity) and not case.additions(Purpose.STABILISE):
        return None
    if case.facts.floats and case.facts.gravity is not None:
        agrees = abs(gravity - case.facts.gravity) <= allowance(case.facts.gravity_sd)
        sweetened = any(brings_sugar(what) and ms > at_ms for ms, what, _ in case._additions())
        return at_ms if agrees or sweetened else None
    return at_ms if _settled_by_checks(case) is not None else None


def dry_since(case: Case) -> int | None:
    """Return the instant of the newest gravity if that is dry for the profile and no sugar came later."""
    checks, facts = case.checks(), case.facts
    known = checks[-1:]
    if facts.gravity is not None and facts.estimated_ms is not None:
        known.append((facts.estimated_ms, facts.gravity))
    sugar = [at_ms for at_ms, what, _ in case._additions() if brings_sugar(what)]
    newest = max(known, default=None)
    if newest is None or newest[1] > case.profile.dry_gravity + AT_THE_LEVEL:
        return None
    return None if sugar and sugar[-1] >= newest[0] else newest[0]


def stabilised_since(case: Case) -> int | None:
    """Return when the wine was stabilised, unless yeast went in later."""
    stabilised, yeast = case.additions(Purpose.STABILISE), case.additions(Purpose.YEAST)
    if not stabilised or (yeast and yeast[-1] >= stabilised[-1]):
        return None
    return stabilised[-1]


def _stable_since(case: Case) -> int | None:
    stabilised_ms = stabilised_since(case)
    return stabilised_ms if stabilised_ms is not None else dry_since(case)


def _sulfited_since(case: Case) -> int | None:
    return next(iter(reversed(case.additions(Purpose.SULFITE))), None)


def _racked_since(case: Case) -> int | None:
    racked = (e.at_ms for e in case.lot.entries if isinstance(e.what, Racking) and e.at_ms <= case.at_ms)
    return next(racked, None)


_SINCE: Mapping[Requirement, Callable[[Case], int | None]] = {
    Requirement.FINISHED: finished_since,
    Requirement.CHECKED: checked_since,
    Requirement.DRY: dry_since,
    Requirement.STABILISED: stabilised_since,
    Requirement.STABLE: _stable_since,
    Requirement.SULFITED: _sulfited_since,
    Requirement.RACKED: _racked_since,
}


def since(requirement: Requirement, case: Case) -> int | None:
    """Return since when a requirement holds, milliseconds since the epoch, or None if it does not."""
    return _SINCE[requirement](case)
