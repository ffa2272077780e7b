"""A lot's SO2 for pages, API and book: what is left, what each entry made of it, and the dose for the usual targets."""

from typing import Any

from mustwatch.cellar.history import LotHistory
from mustwatch.cellar.instant import iso
from mustwatch.cellar.malolactic import course
from mustwatch.cellar.so2 import Left, ledger, left
from mustwatch.config.plan import CellarPlan
from mustwatch.must.bounds import OutOfRangeError
from mustwatch.must.sulfite import BINDING, CAUTION, Asked, LimitError, dose
from mustwatch.views.book_words import what_was_done

TARGETS_MG_PER_L = (0.5, 0.8)
"""Molecular SO2 that is usual for red and for white wine. Common practice."""


def sulfite_json(
    lot: LotHistory, plan: CellarPlan, celsius: float | None, now_ms: int
) -> dict[str, Any] | None:
    """Return a lot's SO2, mg/L, as far as its book tells; None where that tells nothing of any.

    Ranges are ``[lowest, highest]``. ``doses``: of potassium metabisulfite, grams, for the usual molecular SO2.
    """
    vessel = plan.vessels.get(lot.vessel or "")
    capacity = None if vessel is None else vessel.litres
    limit = plan.profile_for(lot).total_so2_limit_mg_per_l
    now = left(lot, capacity, celsius, now_ms)
    if now is None:
        return None
    malolactic = course(lot.entries, now_ms)
    runs = malolactic is not None and malolactic.runs
    return {
        "total_mg_per_l": round(now.total, 1),
        "limit_mg_per_l": limit,
        "free_mg_per_l": [round(free, 1) for free in now.free],
        "free_measured_at": None if now.measured is None else iso(now.measured.at_ms),
        "molecular_mg_per_l": None if now.molecular is None else [round(m, 2) for m in now.molecular],
        "ph": None if now.ph is None else now.ph.value,
        "celsius": round(now.celsius, 1),
        "ledger": [
            {
                "at": iso(at.at_ms),
                "words": "" if at.entry is None else what_was_done(at.entry.what, plan.rules.units.measures),
                "added_mg_per_l": round(at.added, 1),
                "total_mg_per_l": round(at.total, 1),
                "free_mg_per_l": [round(at.free_low, 1), round(at.free_high, 1)],
            }
            for at in ledger(lot.entries, capacity)
            if at.added or at.total or at.free_high
        ],
        "doses": [_dose_json(target, now, lot.litres, limit, runs=runs) for target in TARGETS_MG_PER_L],
        "cautions": [BINDING, CAUTION],
    }


def _dose_json(target: float, now: Left, litres: float | None, limit: float, *, runs: bool) -> dict[str, Any]:
    """Return the dose for a target if as much is free as can be, or why there is none."""
    found: dict[str, Any] = {"molecular_mg_per_l": target, "metabisulfite_g": None, "why_not": None}
    if runs:
        return found | {"why_not": "none yet, its malolactic ferment runs"}
    if now.ph is None or not isinstance(now.ph.value, float) or not litres:
        return found | {"why_not": "measure the pH first" if litres else "write down the volume first"}
    total = max(now.total, now.free[1])
    try:
        asked = Asked(litres, now.ph.value, target, now.free[1], total, limit)
        return found | {"metabisulfite_g": round(dose(asked).salt_g, 2)}
    except (LimitError, OutOfRangeError) as error:
        return found | {"why_not": str(error)}
