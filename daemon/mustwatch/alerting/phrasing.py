"""The pieces a message is made of, and sentences that are left out when the evidence lacks their figure."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Phrases:
    """The pieces of a message.

    Attributes:
        what: what is so, without where; begins a title.
        over: what is so once it has ceased; goes into a title.
        why: sentences with the numbers, as they are now.
        next: what to do next, a sentence.
        care: a caution, or None.
        worst: how bad it was at its worst, for when it is over; empty where the numbers don't tell.
    """

    what: str
    over: str
    why: tuple[str, ...]
    next: str
    care: str | None = None
    worst: str = ""


def sentence(template: str, **parts: str | None) -> str:
    """Fill a sentence; empty if a part is missing."""
    return "" if any(part is None for part in parts.values()) else template.format(**parts)


def sentences(*sentences: str) -> tuple[str, ...]:
    """Keep the sentences that have something to say."""
    return tuple(s for s in sentences if s)
