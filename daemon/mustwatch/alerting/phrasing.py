"""From a finding's evidence to what is said of it: its numbers in the cellar's units, and sentences that have them all.

Advice is common practice unless a source is named; a yeast's or product's own sheet takes precedence over it.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from importlib import import_module
from string import Formatter
from types import NoneType
from typing import Any, get_args, get_type_hints

from mustwatch.alerting import words
from mustwatch.alerting.rules import Units
from mustwatch.cellar.measures import MINUS
from mustwatch.cellar.quantities import SAID, Gravity, GravityPerDay, KelvinPerHour
from mustwatch.watch.finding import Evidence, Figures, FindingKind, Severity

BUNG = "Close it with an airlock, never with a tight bung: CO2 must get out."
BOTTLES = "Wine that is not finished can burst bottles."


@dataclass(frozen=True, slots=True)
class Phrases:
    """The pieces of a message.

    Attributes:
        what: what is so, without where; begins a title.
        over: what is so once it has ceased; goes into a title.
        why: sentences with the numbers, as they are now; those are left out that lack one.
        next: what to do next, a sentence.
        care: a caution, or None.
        worst: how bad it was at its worst, for when it is over; empty where the numbers don't tell.
        then: lines of what to do once it is over; ``then_in_short``: the same for a line of a digest.
        now: the figures of now, each a few words, for a card; where empty, the first of ``why`` stands for them.
        act: what to do in one short sentence; where empty, the first of ``next``.
        lasts: whether it is a state that goes on, so that one asks for how long.
    """

    what: str
    over: str
    why: tuple[str, ...]
    next: str
    care: str | None = None
    worst: str = ""
    then: tuple[str, ...] = ("Nothing needs doing for this any more.",)
    then_in_short: str = ""
    now: tuple[str, ...] = ()
    act: str = ""
    lasts: bool = True

    @property
    def do(self) -> str:
        """Return what to do in one sentence."""
        return self.act or f"{self.next.split('. ')[0].rstrip('.')}."


@dataclass(frozen=True, slots=True)
class Numbers:
    """The numbers of one finding's evidence, each said as what its kind declares it to be."""

    of: type[Evidence]
    figures: Figures
    units: Units
    severity: Severity = Severity.NOTICE

    def number(self, key: str) -> float | None:
        """Return a finite number of the evidence, or None."""
        value = self.figures.get(key)
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            return None
        return float(value)

    def text(self, key: str) -> str | None:
        """Return a number with its unit, or a text on one line; None where the evidence lacks it.

        Raises:
            KeyError: the kind's evidence has no such key.
        """
        quantity = self._quantities[key]
        if quantity is str:
            value = self.figures.get(key)
            return " ".join(value.split()) or None if isinstance(value, str) else None
        number = self.number(key)
        return None if number is None else SAID[quantity](self.units.measures, number, self._near())

    def say(self, template: str) -> str:
        """Return a sentence with its keys filled in; empty if the evidence lacks one."""
        texts = {key: self.text(key) for key in _keys(template)}
        return "" if None in texts.values() else template.format_map(texts)

    def sentence(self, key: str) -> str:
        """Return a text of the evidence as a sentence; empty if the evidence lacks it."""
        text = (self.text(key) or "").rstrip(". ")
        return f"{text}." if text else ""

    def table(self) -> dict[str, str]:
        """Return every number by its key in words; what a kind does not declare (any more), as it stands."""
        return {_named(key): self._shown(key) for key in self.figures}

    @property
    def _quantities(self) -> dict[str, Any]:
        return _quantities(self.of)  # type: ignore[arg-type]  # a type is hashable

    def _near(self) -> float:
        """Return the gravity around which changes of it are said."""
        gravities = (self.number(key) for key, of in self._quantities.items() if of is Gravity)
        return next((gravity for gravity in gravities if gravity is not None), 1.0)

    def _shown(self, key: str) -> str:
        value, quantity = self.figures[key], self._quantities.get(key)
        if quantity is None or value is None:
            return "–" if value is None else f"{value:.4g}" if isinstance(value, float) else str(value)
        text = self.text(key) or "–"
        falls = quantity in (GravityPerDay, KelvinPerHour) and isinstance(value, float) and value < 0.0
        return f"{MINUS}{text}" if falls else text


def phrases_of(kind: FindingKind, figures: Figures, units: Units, severity: Severity) -> Phrases:
    """Return what there is to say of a finding: see ``words/KIND.py``."""
    said = _words_of(kind)(Numbers(kind.evidence, figures, units, severity))
    return replace(said, why=tuple(filter(None, said.why)), now=tuple(filter(None, said.now)))


@cache
def _words_of(kind: FindingKind) -> Callable[[Numbers], Phrases]:
    module = import_module(f"{words.__name__}.{kind.module}")
    say: Callable[[Numbers], Phrases] = module.say
    return say


@cache
def _quantities(of: Any) -> dict[str, Any]:
    """Return by key what each of the evidence is a quantity of."""
    hints = get_type_hints(of)
    return {
        key: next((one for one in get_args(hint) if one is not NoneType), hint) for key, hint in hints.items()
    }


@cache
def _keys(template: str) -> tuple[str, ...]:
    return tuple(key for _, key, _, _ in Formatter().parse(template) if key is not None)


def _named(key: str) -> str:
    words = key.replace("_", " ")
    return words[:1].upper() + words[1:]


# --- what messages of several kinds say ----------------------------------------------------------------------


def gravity_now(n: Numbers) -> str:
    """Say how the wine stands."""
    return (
        n.say("Gravity is {gravity} at {celsius}.")
        or n.say("Gravity is {gravity}.")
        or n.say("It is {celsius}.")
    )


def pace(n: Numbers) -> str:
    """Say how fast it falls."""
    rate, text = n.number("rate_per_day"), n.text("rate_per_day")
    if rate is None or text is None:
        return ""
    if float(text.split()[0]) == 0.0:
        return "It is not moving."
    return f"It {'falls' if rate < 0 else 'rises'} by {text}."


def short_pace(n: Numbers) -> str:
    """Say how fast it falls in a few words; nothing where it does not."""
    said = pace(n)
    return "" if said == "It is not moving." else said.removeprefix("It ").rstrip(".")


def how_far(severity: Severity, what: str) -> str:
    """Return how far it is outside; eased to a notice it is inside now, and has not been for two days."""
    return {Severity.URGENT: f"much {what}", Severity.WARNING: what}.get(severity, f"was {what}")


def at_worst(n: Numbers) -> str:
    """Say how far outside it was at worst, and on how many days, where on more than one."""
    worst = "At worst it was at {worst_celsius}"
    if (n.number("days_beyond") or 0) > 1:
        return n.say(worst + ", and outside on {days_beyond} of the last {of_days} days.")
    return n.say(worst + ".")


def beyond_limit(n: Numbers, side: str) -> tuple[str, ...]:
    """Say where the must is to the limit that it has passed, ``above`` or ``below``, and for how long it has."""
    now, limit = n.number("celsius"), n.number("limit_celsius")
    is_back = now is not None and limit is not None and (now <= limit if side == "above" else now >= limit)
    return (
        n.say(
            "The must is back at {celsius}; its limit is {limit_celsius}."
            if is_back
            else f"The must is at {{celsius}}, {side} its limit of {{limit_celsius}}."
        )
        or n.say("The must is at {celsius}."),
        n.say("It has been for {minutes_beyond}.") if n.number("minutes_beyond") and not is_back else "",
        at_worst(n)
        if n.text("worst_celsius") != n.text("celsius") or (n.number("days_beyond") or 0) > 1
        else "",
    )


def short_limit(n: Numbers, end: str) -> tuple[str, ...]:
    """Say the temperature, its limit, and its ``end``, how far it went at worst, where that is further than now."""
    is_worse = n.text("worst_celsius") != n.text("celsius")
    return (
        n.say("{celsius}"),
        n.say("limit {limit_celsius}"),
        n.say(f"{end} {{worst_celsius}}") if is_worse else "",
        n.say("outside on {days_beyond} of the last {of_days} days")
        if (n.number("days_beyond") or 0) > 1
        else "",
    )


def capital(text: str) -> str:
    """Return a text as it begins a sentence."""
    return text[:1].upper() + text[1:]
