"""A lot's parts: the litres in each of its vessels, and what a transfer was for each lot that it touched.

A lot that gives wine has it *drawn*. A lot that begins with a part of another is *parted* from it, and takes over its
book so far, by its share. A lot that wine of another comes into has *wine added*, which knows the line of that other.
So whatever is told from a lot's entries (strength, SO2, what is finished) needs no other word for parts and blends.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from mustwatch.cellar.additions import volume_added_litres
from mustwatch.cellar.book import (
    Addition,
    Bottling,
    Entry,
    Fate,
    Move,
    Pour,
    Racking,
    Reanchor,
    StageChange,
    Start,
    Told,
    Transfer,
    TransferName,
    What,
)
from mustwatch.cellar.profile import Stage
from mustwatch.cellar.told import Drawn, Parted, RackedApart, WineAdded

if TYPE_CHECKING:
    from mustwatch.cellar.history import LotHistory

EMPTY_LITRES = 0.02
"""What is less counts as an empty vessel: the sum of figures that were rounded when they were written."""

VOLUME_SLACK = 1.05
"""Bottles, or the next vessel, may hold this much less or more than the book makes of a volume, which is read off a
bucket's scale and grown by the sugar that went in."""

Parts = Mapping[str, float | None]
"""Litres by vessel, None where nobody wrote how much it is; in the order in which the wine came there."""


def total(parts: Parts) -> float | None:
    """Return the litres of all parts, or None where one is not known."""
    litres = [*parts.values()]
    return None if None in litres else sum(one for one in litres if one is not None)


def bottled_litres(what: Bottling) -> float:
    """Return what went into bottles, litres."""
    return what.bottles * what.bottle_ml / 1000.0


def litres_after(what: What, before: float | None) -> float | None:
    """Return a whole lot's volume after something was done, litres, from what it was before; None: not known."""
    if isinstance(what, Told):
        return what.litres
    if isinstance(what, Start | Racking) and what.litres is not None:
        return what.litres
    if before is None:
        return None
    if isinstance(what, Racking):
        return max(0.0, before - (what.lees_litres or 0.0))
    if isinstance(what, Addition):
        return before + volume_added_litres(what)
    if isinstance(what, Bottling) and what.in_part:
        return max(0.0, before - bottled_litres(what))
    return before


def after(parts: Parts, what: What) -> Parts:
    """Return what stands where once something was done."""
    if isinstance(what, Start):
        return {what.vessel: what.litres}
    if isinstance(what, Drawn | RackedApart):
        own = [p for p in what.pours if p.becomes == p.lot]
        return _received(_poured(parts, what.pours, what.emptied), own)
    if isinstance(what, Parted):
        return _received({}, what.pours)
    if isinstance(what, WineAdded):
        return _received(parts, what.pours)
    if isinstance(what, Racking):
        return {what.to_vessel: litres_after(what, total(parts) if parts else None)}
    if isinstance(what, Addition):
        return _grown(parts, volume_added_litres(what))
    if isinstance(what, Bottling):
        return _bottled(parts, what) if what.in_part else {}
    return {} if isinstance(what, StageChange) and what.stage is Stage.BOTTLED else parts


def _poured(parts: Parts, pours: Iterable[Pour], emptied: Sequence[str]) -> Parts:
    left = dict(parts)
    for pour in pours:
        there = left.get(pour.vessel)
        if there is not None and pour.litres is not None:
            left[pour.vessel] = max(0.0, there - pour.litres)
    return {vessel: litres for vessel, litres in left.items() if vessel not in emptied}


def _received(parts: Parts, pours: Iterable[Pour]) -> Parts:
    found = dict(parts)
    for pour in pours:
        if pour.to_vessel is not None:
            there = found.get(pour.to_vessel, 0.0)
            unknown = there is None or pour.litres is None
            found[pour.to_vessel] = None if unknown else (there or 0.0) + (pour.litres or 0.0)
    return found


def _grown(parts: Parts, litres: float) -> Parts:
    """Return the parts with what went in, spread over them as they are large."""
    known = total(parts)
    if known is None or not litres:
        return parts
    equal = 1.0 / max(1, len(parts))
    return {v: (n or 0.0) + litres * ((n or 0.0) / known if known else equal) for v, n in parts.items()}


def _bottled(parts: Parts, what: Bottling) -> Parts:
    vessel = what.from_vessel if what.from_vessel in parts else next(iter(parts), None)
    there = None if vessel is None else parts[vessel]
    if vessel is None or there is None:
        return parts
    left = there - bottled_litres(what)
    return {v: left if v == vessel else n for v, n in parts.items() if v != vessel or left > EMPTY_LITRES}


# --- a transfer as each lot is told of it ------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Poured:
    """A transfer with the volumes that its vessels had: its pours with their litres, the vessels emptied by it.

    ``short`` are the pours of wine that was not there, each with what was, litres; of them only that much counts.
    """

    pours: tuple[Pour, ...]
    emptied: Mapping[str, tuple[str, ...]]
    short: tuple[tuple[Pour, float], ...] = ()


def poured(transfer: Transfer, parts: Mapping[str, Parts]) -> Poured:
    """Return a transfer with every volume that follows from what was in the vessels, by lot, before it."""
    left = {lot: dict(of) for lot, of in parts.items()}
    found: list[Pour] = []
    emptied: dict[str, list[str]] = {}
    short: list[tuple[Pour, float]] = []
    for pour in transfer.pours:
        if pour.vessel not in left.get(pour.lot, {}):
            short.append((pour, 0.0))
            continue
        there = left[pour.lot][pour.vessel]
        litres = there if pour.litres is None else pour.litres
        if there is not None and litres is not None:
            if litres > there * VOLUME_SLACK + EMPTY_LITRES:
                short.append((pour, there))
            litres = min(litres, there)
            there = left[pour.lot][pour.vessel] = there - litres
        if pour.litres is None or (there is not None and there <= EMPTY_LITRES):
            emptied.setdefault(pour.lot, []).append(pour.vessel)
        found.append(replace(pour, litres=litres))
    return Poured(tuple(found), {lot: tuple(of) for lot, of in emptied.items()}, tuple(short))


def drawn(transfer: Transfer, pours: Sequence[Pour], emptied: tuple[str, ...], parts: Parts) -> What:
    """Return what a transfer was for a lot whose wine it took."""
    told = Drawn(transfer.name, tuple(pours), None, emptied=emptied)
    left = after(parts, told)
    goes = [p for p in pours if p.to_vessel is not None]
    litres = total(left) if left else 0.0
    if transfer.name is not TransferName.RACK or not goes:
        return replace(told, litres=litres)
    largest = max(goes, key=lambda p: p.litres or 0.0)
    return RackedApart(
        to_vessel=largest.to_vessel or "",
        from_vessel=largest.vessel,
        gravity=largest.gravity,
        litres=litres,
        lees_litres=sum(p.litres or 0.0 for p in pours if p.fate is Fate.LEES) or None,
        from_sensors=True,
        pours=tuple(pours),
        emptied=emptied,
    )


def racked_apart(what: Racking, parts: Parts, lot: str) -> What:
    """Return a racking of a lot that stands in several vessels: of one part, or of all of them into one."""
    sources = [vessel for vessel in parts if vessel == what.from_vessel] or [*parts]
    came = litres_after(what, total({vessel: parts[vessel] for vessel in sources}))
    pours = [Pour(lot, v, came if i == 0 else 0.0, what.to_vessel) for i, v in enumerate(sources)]
    left = _received({v: n for v, n in parts.items() if v not in sources}, pours)
    emptied = tuple(pour.vessel for pour in pours)
    return RackedApart(**_fields(what) | {"litres": total(left)}, pours=tuple(pours), emptied=emptied)


def _fields(what: Racking) -> dict[str, Any]:
    return {name: getattr(what, name) for name in Racking.__dataclass_fields__ if name != "kind"}


def wine_added(giver: "LotHistory", pours: Sequence[Pour], *, brings_yeast: bool) -> WineAdded:
    """Return the wine of another lot as an addition to this one.

    Args:
        giver: the other lot, as it was just before.
        pours: what came, and into which vessels.
        brings_yeast: whether its yeast is alive, and that of this wine was not.
    """
    litres = total({str(i): p.litres for i, p in enumerate(pours)})
    by_book = next((gravity for _, gravity in reversed([*giver.gravities()])), None)
    gravity = next((p.gravity for p in pours if p.gravity is not None), by_book)
    return WineAdded(
        what=f"wine of {giver.lot}",
        amount=litres,
        unit=None if litres is None else "L",
        litres=litres,
        sugar_g=sugar_left_g(gravity, litres),
        purpose="yeast" if brings_yeast else "top-up",
        pours=tuple(pours),
        giver=giver,
        gravity=gravity,
        is_sweet=is_sweet(gravity),
    )


SUGAR_G_PER_L_PER_GRAVITY = 2160.0
"""Sugar fermented, g/L, for a fall of gravity of 1. Source: OIML R22 ethanol with 20 g/L of extract and 16.83 g/L
per % vol give 2158 to 2170 for musts of 180 to 240 g/L."""
DRY_GRAVITY = 0.998
"""At or below it no sugar is left that counts: the default profile's. Common practice, no source."""
CHECK_ERROR = 0.001
"""A wine may read this much above it and be dry all the same: the error of one check. Common practice."""


def is_sweet(gravity: float | None) -> bool:
    """Return whether a wine may hold sugar that living yeast ferments: above dry, or nobody knows."""
    return gravity is None or gravity > DRY_GRAVITY + CHECK_ERROR


def sugar_left_g(gravity: float | None, litres: float | None) -> float | None:
    """Return the sugar left in a wine, grams, by its gravity alone; None where that or its volume is not known."""
    if gravity is None or litres is None:
        return None
    return max(0.0, gravity - DRY_GRAVITY) * SUGAR_G_PER_L_PER_GRAVITY * litres


def mixed(
    gravity: float | None, litres: float | None, other: float | None, other_litres: float | None
) -> float | None:
    """Return the gravity of two wines together, by volume; None where a gravity or volume is not known.

    Source: conservation of mass, see ``must.enrichment.blend``.
    """
    if gravity is None or other is None or litres is None or other_litres is None:
        return None
    both = litres + other_litres
    return (gravity * litres + other * other_litres) / both if both > 0.0 else gravity


def inherited(parent: "LotHistory", share: float) -> Iterator[Entry]:
    """Yield what a part takes over of its parent's book, in its share; of what left the parent only its volume then."""
    for entry, (_, litres) in zip(parent.entries, parent.volumes, strict=True):
        what = entry.what
        if isinstance(what, Move | Reanchor):
            continue
        if isinstance(what, Drawn | Bottling):
            what = Told(TransferName.LOSE, (), litres)
        if isinstance(what, RackedApart):
            what = Racking(**_fields(what))
        if isinstance(what, Start):
            what = replace(what, litres=_by(share, what.litres))
        elif isinstance(what, Racking):
            what = replace(
                what, litres=_by(share, what.litres), lees_litres=_by(share, what.lees_litres), floats=()
            )
        elif isinstance(what, Addition):
            what = replace(
                what,
                amount=_by(share, what.amount),
                litres=_by(share, what.litres),
                sugar_g=_by(share, what.sugar_g),
            )
        if isinstance(what, WineAdded | Parted):
            what = replace(what, pours=tuple(replace(p, litres=_by(share, p.litres)) for p in what.pours))
        if isinstance(what, Told):
            what = replace(what, litres=_by(share, what.litres))
        yield replace(entry, what=what)


def _by(share: float, amount: float | None) -> float | None:
    return None if amount is None else amount * share
