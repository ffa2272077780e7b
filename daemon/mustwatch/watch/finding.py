"""Findings: what is concluded, of which kind, on what evidence. What a kind is stands in ``findings/KIND.py``."""

from collections.abc import Callable, Mapping
from dataclasses import MISSING, dataclass, field, fields
from enum import StrEnum
from functools import cache
from importlib import import_module
from pkgutil import iter_modules
from typing import Any, NamedTuple, Self

from mustwatch.watch import findings

Figures = Mapping[str, float | int | str | None]
"""Evidence as it is stored and shown, by key."""


class Severity(StrEnum):
    """How much a finding matters, rising."""

    NOTICE = "notice"
    WARNING = "warning"
    URGENT = "urgent"


RANK: Mapping[Severity, int] = {severity: rank for rank, severity in enumerate(Severity)}


class Change(StrEnum):
    """What a transition says about a finding."""

    RAISED = "raised"
    """It holds from now on (or holds at another severity than before)."""
    CLEARED = "cleared"
    """It was seen not to hold any more. Silence never clears: no data is not good news."""


@dataclass(frozen=True, slots=True)
class Subject:
    """What a finding is about. With the kind it identifies an alert: at most one open per (kind, subject).

    A finding about a wine names the lot; about gear, the sensor (with its vessel and lot where known, which don't
    count for identity); about the daemon, none of them.
    """

    lot: str | None = None
    vessel: str | None = None
    sensor: str | None = None


class About(StrEnum):
    """What a kind of finding is about, and by which its alerts are told apart."""

    WINE = "wine"
    """A lot, or where there is none, a sensor's or vessel's wine."""
    GEAR = "gear"
    """A sensor, wherever it hangs."""
    DAEMON = "daemon"
    """The daemon itself, its machine and its connections; no wine, and no sensor unless one is named."""


class Curve(StrEnum):
    """What the picture of a finding shows."""

    GRAVITY = "gravity"
    TEMPERATURE = "temperature"


class Drawn(NamedTuple):
    """What of a finding is drawn.

    ``limit``: the key of the evidence (of gravity: and of the profile) whose line has to be in the picture;
    ``beside``: a gravity of the profile whose line is drawn where it fits, as that of dryness always is.
    """

    curve: Curve
    limit: str | None = None
    beside: str | None = None


@dataclass(frozen=True, slots=True)
class Evidence:
    """What a finding rests on. Each kind has its own: fields named as the keys they are stored under, of quantities.

    A quantity that is not known is None. A field with a default of None is left out where it is None: then it does
    not apply, or a newer version has added it.
    """

    def figures(self) -> dict[str, float | int | str | None]:
        """Return it by key, as it is stored."""
        return {
            key: value
            for key, is_optional in _keys(type(self))  # type: ignore[arg-type]  # a type is hashable
            if (value := getattr(self, key)) is not None or not is_optional
        }


@cache
def _keys(of: Any) -> tuple[tuple[str, bool], ...]:
    return tuple((f.name, f.default is not MISSING) for f in fields(of))


@dataclass(eq=False, repr=False)
class FindingKind(str):
    """A kind of finding: the name it is stored and shown by, and what holds for every finding of it."""

    name: str
    about: About
    evidence: type[Evidence]
    drawn: Drawn | None = None
    """What of it is drawn; None: nothing."""
    is_of_lot: bool = True
    """Its lot's watch concludes it: evaluating the lot again, and only that, brings it up again."""
    by_sensor_with: str | None = None
    """A key of the evidence with which it is found of a sensor, in whatever lot, all the same."""
    is_early: bool = False
    """A watch that has heard no more than a day may say it."""
    is_nightly: bool = False
    """While it holds, an odd night is no news."""
    runs_on: str | None = None
    """The key of a duration that runs on by the wall clock: nothing is heard that would bring a newer one."""
    is_end_told: bool = False
    """That it is over is told even where it was no more than a notice."""
    end_said_by: str | None = None
    """The kind of finding whose beginning says that this one is over."""
    told_not_to: str | None = None
    """The key of the evidence that lists the targets which are not told of it."""

    def __new__(cls, name: str, *_traits: object, **_more: object) -> Self:
        """Make the name of it."""
        return super().__new__(cls, name)

    @property
    def module(self) -> str:
        """Return the name of its files."""
        return self.name.replace("-", "_")

    def __reduce__(self) -> tuple[Callable[[str], "FindingKind"], tuple[str]]:
        """Have a copy be the kind itself."""
        return kind_named, (self.name,)

    def is_decided_by_lot(self, figures: Figures) -> bool:
        """Return whether a lot's watch concluded a finding of this kind with such evidence."""
        return self.is_of_lot and self.by_sensor_with not in figures


MODULES = tuple(sorted(module.name for module in iter_modules(findings.__path__)))
"""The files of the kinds."""


@dataclass(frozen=True, slots=True)
class Transition:
    """A finding that began, changed severity, or ceased, at an instant of event time; with its evidence as stored."""

    kind: FindingKind
    change: Change
    at_ms: int
    severity: Severity
    subject: Subject
    evidence: Figures = field(default_factory=dict)


@cache
def kind_named(name: str) -> FindingKind:
    """Return the kind of a name.

    Raises:
        ValueError: there is none.
    """
    module = name.replace("-", "_")
    if module not in MODULES:
        raise ValueError(f"{name!r} is no kind of finding")
    kind: FindingKind = import_module(f"{findings.__name__}.{module}").KIND
    return kind


def kinds() -> tuple[FindingKind, ...]:
    """Return all kinds, by name."""
    return tuple(kind_named(module.replace("_", "-")) for module in MODULES)
