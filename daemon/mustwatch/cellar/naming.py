"""What to say of a name that is not known: the near ones that were probably meant, else all there are."""

from collections.abc import Iterable
from difflib import get_close_matches

NEAR = 0.66
"""How alike two names are to be taken for one mistyped (1: the same): one letter of three may be wrong. Own choice."""
BEGIN_A_LOT = "mustwatch record start LOT --vessel VESSEL"


def same_name(one: str, other: str) -> bool:
    """Return whether two names differ in nothing but case and blanks."""
    return "".join(one.split()).casefold() == "".join(other.split()).casefold()


def near(name: str, known: Iterable[str]) -> list[str]:
    """Return the known names that a mistyped one was probably meant to be, the likeliest first, at most three."""
    by_letters: dict[str, list[str]] = {}
    for one in known:
        by_letters.setdefault(one.casefold(), []).append(one)
    alike = get_close_matches(name.casefold(), by_letters, n=3, cutoff=NEAR)
    return [one for letters in alike for one in by_letters[letters]][:3]


def meant(name: str, known: Iterable[str]) -> str:
    """Return ``did you mean 'a'?`` where a name is near to a known one, else the known ones."""
    names = sorted(known)
    alike = near(name, names)
    if alike:
        return f"did you mean {' or '.join(repr(one) for one in alike)}?"
    return f"known: {', '.join(names) or 'none yet'}"


def unknown_lot(name: str, known: Iterable[str]) -> str:
    """Return the line about a lot that is not in the book; only an empty book is told how to begin one."""
    names = list(known)
    return (
        f"lot {name!r} is not in the book: {meant(name, names) if names else 'begin it with ' + BEGIN_A_LOT}"
    )


def unknown_sensor(name: str, known: Iterable[str]) -> str:
    """Return the line about a sensor that is not configured."""
    return f"sensor {name!r} is not in the configuration: {meant(name, known)}"
