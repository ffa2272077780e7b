"""What a transfer was for one lot, beside what people write: read from the book by ``cellar.parts``, never stored."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

from mustwatch.cellar.book import Addition, Pour, Racking, Told

if TYPE_CHECKING:
    from mustwatch.cellar.history import LotHistory


@dataclass(frozen=True, slots=True)
class Drawn(Told):
    """Wine of this lot went into other vessels, to another lot, or away; ``emptied``: the vessels it has left."""

    emptied: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Parted(Told):
    """The lot began with a part of ``parent``, of this gravity 20/20, its ferment known to have ended or not."""

    parent: str = ""
    gravity: float | None = None
    finished: bool = False


@dataclass(frozen=True, slots=True)
class WineAdded(Addition):
    """Wine of another lot came in, ``giver`` as it was then; gravity 20/20 of that wine where it is known.

    ``is_sweet``: it brings sugar, or nobody knows that it brings none.
    """

    pours: tuple[Pour, ...] = ()
    giver: "LotHistory | None" = None
    gravity: float | None = None
    is_sweet: bool = False


@dataclass(frozen=True, slots=True)
class RackedApart(Racking):
    """The lot was racked and stands, or stood, in several vessels; ``litres`` are the whole lot's."""

    pours: tuple[Pour, ...] = ()
    emptied: tuple[str, ...] = ()
