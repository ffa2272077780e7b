"""Sulfur dioxide in a lot: a ledger of what was added and measured, and what is left of it, by the book.

What was added stays in the wine, bound or free, thinned by what came in. How much of it is free hangs on what the wine
binds, so free SO2 is known exactly only on the day it is measured; after that it is a range.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from mustwatch.cellar.additions import SULFITE_WORDS, Purpose, purpose_of, volume_added_litres, weight_g
from mustwatch.cellar.analysis import Measured, Quantity, newest
from mustwatch.cellar.book import Addition, Entry, Measurement
from mustwatch.cellar.history import LotHistory, stage_after
from mustwatch.cellar.instant import DAY_MS
from mustwatch.cellar.parts import litres_after
from mustwatch.cellar.profile import Stage
from mustwatch.cellar.told import WineAdded
from mustwatch.must.bounds import OutOfRangeError
from mustwatch.must.sulfite import (
    IN_WINE_AT_C,
    PKA_IN_WINE,
    SO2_SHARE,
    Salt,
    molecular_fraction,
    pka_at,
)

TABLET_G = 0.44
"""Metabisulfite in a sulfite tablet of the trade, g. From memory; the pack's own figure takes precedence."""
FREE_OF_ADDED = (0.35, 0.75)
"""By how much of an addition free SO2 rises; the rest binds. Source: trade texts, as ``must.sulfite.BINDING``."""
LOST_MG_PER_L_PER_DAY = 5.0 / 30.0
"""Free SO2 is used up by up to 5 mg/L a month in a closed vessel. From memory; ullage and racking take more."""
_STRENGTH = re.compile(r"(\d+(?:[.,]\d+)?)\s*%")


def so2_mg(addition: Addition) -> float | None:
    """Return the SO2 an addition of sulfite brings, mg; 0 for anything else, None where its weight is not known.

    Metabisulfite is taken for the potassium salt unless its words say sodium. A solution is weighed by the per cent
    (grams in 100 mL) in its words.
    """
    words = addition.what.casefold()
    if not any(mark in words for mark in SULFITE_WORDS) and purpose_of(addition) is not Purpose.SULFITE:
        return 0.0
    grams = _sulfite_g(addition)
    if grams is None:
        return None
    if "so2" in words:
        return grams * 1000.0
    return grams * 1000.0 * SO2_SHARE[Salt.SODIUM if "sodium" in words else Salt.POTASSIUM]


def _sulfite_g(addition: Addition) -> float | None:
    grams = weight_g(addition)
    if grams is not None or addition.amount is None:
        return grams
    unit = (addition.unit or "").casefold()
    if unit.startswith("tablet"):
        return addition.amount * TABLET_G
    strength = _STRENGTH.search(addition.what)
    per_ml = {"ml": 1.0, "l": 1000.0}.get(unit)
    if strength is None or per_ml is None:
        return None
    return addition.amount * per_ml * float(strength[1].replace(",", ".")) / 100.0


@dataclass(frozen=True, slots=True)
class Sum:
    """What a wine has after an entry that tells, mg/L.

    Attributes:
        at_ms: the entry's instant; ``entry``: the entry, or None before the first.
        added: by this entry.
        total: SO2 bound and free, at least.
        free_low, free_high: free SO2, between these.
    """

    at_ms: int = 0
    entry: Entry | None = None
    added: float = 0.0
    total: float = 0.0
    free_low: float = 0.0
    free_high: float = 0.0


def ledger(entries: Sequence[Entry], capacity_litres: float | None) -> list[Sum]:
    """Return the SO2 after each entry that adds, thins or measures it, oldest first.

    A volume never written down is taken for a full vessel of ``capacity_litres``. What goes into a must before its
    first racking counts for the total alone: the ferment binds it.
    """
    litres: float | None = None
    stage = Stage.PRIMARY
    found: list[Sum] = []
    for entry in entries:
        what, now = entry.what, found[-1] if found else Sum()
        stage = stage_after(stage, entry)
        if isinstance(what, Measurement):
            found += _as_measured(what, now, entry)
        elif isinstance(what, Addition):
            before = litres if litres is not None else capacity_litres
            if before:
                brought = _brought(what, capacity_litres, in_must=stage is Stage.PRIMARY)
                found.append(_with(brought, now, before, before + volume_added_litres(what), entry))
        litres = litres_after(what, litres)
    return found


def _as_measured(what: Measurement, now: Sum, entry: Entry) -> list[Sum]:
    free, total = what.free_so2_mg_per_l, what.total_so2_mg_per_l
    if free is None and total is None:
        return []
    now = replace(now, at_ms=entry.at_ms, entry=entry, added=0.0)
    if total is not None:
        now = replace(
            now, total=total, free_high=min(now.free_high, total), free_low=min(now.free_low, total)
        )
    if free is not None:
        off = what.error or 0.0
        now = replace(now, free_low=max(0.0, free - off), free_high=free + off, total=max(now.total, free))
    return [now]


@dataclass(frozen=True, slots=True)
class _Brought:
    """What came in, mg."""

    total: float
    free_low: float
    free_high: float


def _brought(what: Addition, capacity_litres: float | None, *, in_must: bool) -> _Brought:
    """Return the SO2 that came in: of wine, what its own line had."""
    if isinstance(what, WineAdded):
        known = ledger(() if what.giver is None else what.giver.entries, capacity_litres)
        had, litres = known[-1] if known else Sum(), what.litres or 0.0
        return _Brought(had.total * litres, had.free_low * litres, had.free_high * litres)
    mg = so2_mg(what) or 0.0
    low, high = (0.0, 0.0) if in_must else FREE_OF_ADDED
    return _Brought(mg, mg * low, mg * high)


def _with(brought: _Brought, now: Sum, before: float, after: float, entry: Entry) -> Sum:
    return Sum(
        entry.at_ms,
        entry,
        added=brought.total / after,
        total=(now.total * before + brought.total) / after,
        free_low=(now.free_low * before + brought.free_low) / after,
        free_high=(now.free_high * before + brought.free_high) / after,
    )


@dataclass(frozen=True, slots=True)
class Left:
    """What is left of a lot's SO2 now, mg/L.

    Attributes:
        total: bound and free, at least what the book tells.
        free: lowest and highest free SO2.
        measured: the newest measurement of free SO2, and ``ph`` the newest pH, or None.
        celsius: what the molecular part is told at.
        molecular: its lowest and highest part, or None without a pH: the lowest of the free by the pKa in water, the
            highest by the one in wine.
    """

    total: float
    free: tuple[float, float]
    measured: Measured | None
    ph: Measured | None
    celsius: float
    molecular: tuple[float, float] | None


def left(lot: LotHistory, capacity_litres: float | None, celsius: float | None, now_ms: int) -> Left | None:
    """Return what is left of a lot's SO2, or None where the book tells nothing of any.

    ``celsius``: of the wine (None: 20 °C is taken).
    """
    sums = [at for at in ledger(lot.entries, capacity_litres) if at.at_ms <= now_ms]
    if not sums or not (sums[-1].total or newest(lot.entries, Quantity.FREE_SO2, now_ms)):
        return None
    now, free = sums[-1], newest(lot.entries, Quantity.FREE_SO2, now_ms)
    lost = LOST_MG_PER_L_PER_DAY * (now_ms - now.at_ms) / DAY_MS
    low, high = max(0.0, now.free_low - lost), now.free_high
    ph, warm = newest(lot.entries, Quantity.PH, now_ms), IN_WINE_AT_C if celsius is None else celsius
    return Left(now.total, (low, high), free, ph, warm, _molecular((low, high), ph, warm))


def _molecular(free: tuple[float, float], ph: Measured | None, celsius: float) -> tuple[float, float] | None:
    if ph is None or not isinstance(ph.value, float):
        return None
    try:
        in_water, in_wine = pka_at(celsius), pka_at(celsius, pka=PKA_IN_WINE, known_at_c=IN_WINE_AT_C)
        return (
            free[0] * molecular_fraction(ph.value, pka=in_water),
            free[1] * molecular_fraction(ph.value, pka=in_wine),
        )
    except OutOfRangeError:
        return None
