"""A refusal: why an entry is not taken, in one line, and whether a reason can overrule it."""

from dataclasses import dataclass
from enum import StrEnum


class RefusalKind(StrEnum):
    """What kind of no it is."""

    INPUT = "input"
    """The entry is wrong as it stands (exit 2): nothing is taken, whatever the reason given."""
    DOUBTFUL = "doubtful"
    """The entry is probably mistyped (exit 2), but a reason takes it."""
    GATE = "gate"
    """It is too early (exit 1): a reason takes it, and is kept in the book."""


class Reason(StrEnum):
    """Why, for machines."""

    UNKNOWN_LOT = "unknown-lot"
    UNKNOWN_VESSEL = "unknown-vessel"
    UNKNOWN_SENSOR = "unknown-sensor"
    UNKNOWN_PROFILE = "unknown-profile"
    NAME_USED = "name-used"
    NAME_ALIKE = "name-alike"
    BAD_VALUE = "bad-value"
    IN_THE_FUTURE = "in-the-future"
    BEFORE_THE_START = "before-the-start"
    AFTER_BOTTLING = "after-bottling"
    OCCUPIED = "occupied"
    EMPTY_VESSEL = "empty-vessel"
    SAME_VESSEL = "same-vessel"
    TOO_SMALL = "too-small"
    MORE_THAN_THERE = "more-than-there"
    UNACCOUNTED = "unaccounted"
    TOO_MANY_BOTTLES = "too-many-bottles"
    GRAVITY_ROSE = "gravity-rose"
    GRAVITY_FELL = "gravity-fell"
    FLOAT_SAYS_OTHERWISE = "float-says-otherwise"
    OVER_THE_SO2_LIMIT = "over-the-so2-limit"
    FAR_TOO_MUCH = "far-too-much"
    REPEATED = "repeated"
    BREAKS_THE_BOOK = "breaks-the-book"
    ALREADY_IN_THE_BOOK = "already-in-the-book"
    NOT_FINISHED = "not-finished"
    NO_AGREEING_CHECK = "no-agreeing-check"
    LIVE_YEAST_AND_SUGAR = "live-yeast-and-sugar"
    MALOLACTIC_RUNS = "malolactic-runs"
    GERANIUM_TAINT = "geranium-taint"


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why an entry is refused: ``line`` says what is wrong, where, and what to do; ``about``: the name it is about."""

    kind: RefusalKind
    reason: Reason
    line: str
    about: str | None = None

    @property
    def exit_code(self) -> int:
        """Return what a command exits with: 1 it may not be done yet, 2 the input is wrong."""
        return 1 if self.kind is RefusalKind.GATE else 2

    @property
    def can_be_overruled(self) -> bool:
        """Return whether ``--despite "reason"`` takes the entry all the same."""
        return self.kind is not RefusalKind.INPUT


def wrong(reason: Reason, line: str, about: str | None = None) -> Refusal:
    """Return the refusal of an entry that is wrong as it stands."""
    return Refusal(RefusalKind.INPUT, reason, line, about)


def overrulable(refusals: list[Refusal]) -> bool:
    """Return whether a reason takes an entry with these refusals."""
    return all(refusal.can_be_overruled for refusal in refusals)
