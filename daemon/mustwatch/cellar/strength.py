"""A lot's alcohol, by one rule for page, command, book, print and API.

Sugar and water that went in later count as if they had been in the must from the start: the fall from that gravity to
the newest one is what fermented, whether the sugar was to ferment or to stay. What went in after the newest gravity
only thins the alcohol by its volume.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from mustwatch.cellar.additions import (
    SUGAR_LITRES_PER_KG,
    Purpose,
    brings_sugar,
    purpose_of,
    volume_added_litres,
)
from mustwatch.cellar.book import Addition, Bottling, Measurement, Racking, Start, Told
from mustwatch.cellar.history import END_MS, LotHistory
from mustwatch.cellar.instant import HOUR_MS
from mustwatch.cellar.parts import bottled_litres, mixed
from mustwatch.cellar.told import Parted, WineAdded
from mustwatch.must.alcohol import alcohol
from mustwatch.must.bounds import OutOfRangeError
from mustwatch.must.density import WATER_20_KG_PER_M3
from mustwatch.must.enrichment import Enriched, with_added

MIXING_MS = 6 * HOUR_MS
"""For this long after sugar or water went in a gravity does not tell of it: it sinks, dissolves, mixes. Common practice
(no source)."""
AGREEING = 0.002
"""An estimate this close to the last check adds nothing to it: the hydrometer has the last word."""

Point = tuple[int, float]
"""An instant, milliseconds since the epoch, and a gravity 20/20."""


@dataclass(frozen=True, slots=True)
class Strength:
    """Alcohol made so far, % vol, with its honest range."""

    abv_percent: float
    abv_range_percent: tuple[float, float]


def checks(lot: LotHistory) -> Iterator[Point]:
    """Yield what the hydrometer showed, in time order."""
    for entry in lot.entries:
        what = entry.what
        if isinstance(what, Racking) and what.from_sensors:
            continue
        if isinstance(what, Start | Measurement | Racking) and what.gravity is not None:
            yield entry.at_ms, what.gravity


def sweetened_ms(lot: LotHistory) -> int | None:
    """Return when sugar was first added that was not to ferment: after stabilising, or to sweeten."""
    stabilised = False
    for entry in lot.entries:
        if isinstance(entry.what, Addition):
            purpose = purpose_of(entry.what)
            stabilised = stabilised or purpose is Purpose.STABILISE
            if brings_sugar(entry.what) and (stabilised or purpose is Purpose.SWEETEN):
                return entry.at_ms
    return None


def must_until(lot: LotHistory, until_ms: int) -> Enriched | None:
    """Return the must with all sugar and water that went in before an instant, as if from the start.

    Its volume is what is left at the instant. None without a starting gravity; without a volume what was added is left
    out (``litres`` is then 0). Wine and juice of unknown sugar are taken for the same as what they top up.
    """
    first = next(checks(lot), None)
    if first is None:
        return None
    (known_ms, gravity), litres = first, lot.start.litres or 0.0
    for entry in lot.entries:
        what = entry.what
        if entry.at_ms >= until_ms:
            break
        if isinstance(what, Racking):
            litres = what.litres if what.litres is not None else max(0.0, litres - (what.lees_litres or 0.0))
        elif isinstance(what, Told):
            litres = what.litres if what.litres is not None else litres
        elif isinstance(what, Bottling) and what.in_part:
            litres = max(0.0, litres - bottled_litres(what))
        elif isinstance(what, Addition) and litres > 0.0:
            became = _with(what, litres, gravity)
            litres, gravity = became.litres, became.gravity if entry.at_ms > known_ms else gravity
    return Enriched(litres, gravity)


def _with(what: Addition, litres: float, gravity: float) -> Enriched:
    sugar_g = what.sugar_g or 0.0
    if isinstance(what, WineAdded):
        return Enriched(litres + (what.litres or 0.0), _must_mixed(what, litres, gravity))
    if _is_alike(what):
        return Enriched(litres + (what.litres or 0.0), gravity)
    water_litres = max(0.0, (what.litres or 0.0) - sugar_g / 1000.0 * SUGAR_LITRES_PER_KG)
    try:
        return with_added(litres, gravity, sugar_g, water_litres * WATER_20_KG_PER_M3)
    except OutOfRangeError:
        return Enriched(litres + water_litres, gravity)


def _must_mixed(what: WineAdded, litres: float, gravity: float) -> float:
    """Return the gravity of two musts together, each as if all its sugar had been in it from the start."""
    must = None if what.giver is None else must_until(what.giver, END_MS)
    found = None if must is None else mixed(gravity, litres, must.gravity, what.litres)
    return gravity if found is None else found


def sugar_raises(lot: LotHistory, at_ms: int, what: Addition, gravity: float) -> float | None:
    """Return by how much an addition's sugar lifts a wine of this gravity 20/20, or None if that cannot be told.

    Source: mass balance (``must.enrichment.with_added``).
    """
    return sugar_lifts(what, lot.litres_at(at_ms - 1), gravity)


def sugar_lifts(what: Addition, litres: float | None, gravity: float) -> float | None:
    """Return by how much an addition's sugar lifts that volume of this gravity 20/20, or None as ``sugar_raises``."""
    if isinstance(what, WineAdded):
        both = mixed(gravity, litres, what.gravity, what.litres)
        return None if both is None else both - gravity
    return _with(what, litres, gravity).gravity - gravity if litres and what.sugar_g is not None else None


def _is_alike(what: Addition) -> bool:
    """Return whether an addition is taken for the same as what it goes into."""
    is_water = "water" in f"{what.what} {what.why or ''}".casefold()
    is_of_unknown_sugar = brings_sugar(what) and what.sugar_g is None
    return is_of_unknown_sugar or (purpose_of(what) is Purpose.TOP_UP and not is_water)


def mixing_since(lot: LotHistory, at_ms: int) -> int | None:
    """Return when sugar or water went in that is not mixed in yet at an instant, or None."""
    return next(
        (e.at_ms for e in lot.entries if _changes_gravity(e.what) and e.at_ms <= at_ms < e.at_ms + MIXING_MS),
        None,
    )


def _changes_gravity(what: object) -> bool:
    return isinstance(what, Addition) and bool(what.litres or what.sugar_g or brings_sugar(what))


def newest_gravity(lot: LotHistory, estimates: Sequence[Point], until_ms: int = END_MS) -> Point | None:
    """Return the newest gravity that tells, by hand or by the estimate, up to an instant and the last bottle."""
    ends_ms = min(until_ms, lot.ended_ms if lot.ended_ms is not None else END_MS)
    by_hand = next((p for p in reversed([*checks(lot)]) if _tells(p, lot, ends_ms)), None)
    estimated = next((p for p in reversed(estimates) if _tells(p, lot, ends_ms)), None)
    parted = next((p for p in _when_parted(lot) if p[0] <= ends_ms), None)
    estimated = max((p for p in (parted, estimated) if p is not None), default=None)
    if by_hand is None or estimated is None:
        return by_hand or estimated
    between = sorted((by_hand[0], estimated[0]))
    changed = any(_changes_gravity(e.what) and between[0] <= e.at_ms <= between[1] for e in lot.entries)
    if not changed and abs(by_hand[1] - estimated[1]) < AGREEING:
        return by_hand
    return max(by_hand, estimated)


def _when_parted(lot: LotHistory) -> Iterator[Point]:
    """Yield what the floats said of the wine just before it was parted from its parent, the newest first."""
    for entry in reversed(lot.entries):
        if isinstance(entry.what, Parted) and entry.what.gravity is not None:
            yield entry.at_ms, entry.what.gravity


def _tells(point: Point, lot: LotHistory, ends_ms: int) -> bool:
    return point[0] <= ends_ms and mixing_since(lot, point[0]) is None


def strength_of(lot: LotHistory, estimates: Sequence[Point]) -> Strength | None:
    """Return a lot's alcohol now (at bottling, once bottled), or None where its gravities do not tell.

    Args:
        lot: its history.
        estimates: of the watch, in time order; the newest that tells is enough.

    Source: ``must.alcohol`` (the balance), mass balance for what was added.
    """
    point = newest_gravity(lot, estimates)
    must = None if point is None else must_until(lot, point[0])
    if point is None or must is None or point[1] > must.gravity + AGREEING:
        return None
    try:
        found = alcohol(must.gravity, min(point[1], must.gravity))
    except OutOfRangeError:
        return None
    return _mixed_since(lot, point[0], Strength(found.abv_percent, found.abv_range_percent))


def _mixed_since(lot: LotHistory, at_ms: int, strength: Strength) -> Strength | None:
    """Return what a strength has become by what went in from an instant on: by volume, wine with its own alcohol.

    None where that of a wine that went in is not known.
    """
    for entry, before in lot.with_litres_before():
        what = entry.what
        if not isinstance(what, Addition) or entry.at_ms < at_ms:
            continue
        other = Strength(0.0, (0.0, 0.0))
        if isinstance(what, WineAdded):
            known = [(entry.at_ms, p.gravity) for p in what.pours if p.gravity is not None][:1]
            came = None if what.giver is None else strength_of(what.giver, known)
            if came is None:
                return None
            other = came
        elif _is_alike(what):
            continue
        if before:
            strength = _by_volume(strength, before, other, volume_added_litres(what))
    return strength


def _by_volume(one: Strength, litres: float, other: Strength, other_litres: float) -> Strength:
    """Return the strength of two wines together. Source: conservation of mass, see ``must.enrichment.blend``."""
    share = litres / (litres + other_litres)

    def both(a: float, b: float) -> float:
        return a * share + b * (1.0 - share)

    (low, high), (other_low, other_high) = one.abv_range_percent, other.abv_range_percent
    ranges = both(low, other_low), both(high, other_high)
    return Strength(both(one.abv_percent, other.abv_percent), ranges)
