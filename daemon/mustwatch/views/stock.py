"""The stock of bottles as command, page and API show it: each bottling, and what is left by wine and year."""

from datetime import date
from typing import Any
from zoneinfo import ZoneInfo

from mustwatch.cellar.book import BottleFate, Measurement
from mustwatch.cellar.due import day_of
from mustwatch.cellar.history import LotHistory
from mustwatch.cellar.instant import iso
from mustwatch.cellar.so2 import ledger
from mustwatch.cellar.stock import StockRow, stock
from mustwatch.config.plan import CellarPlan, plan_of
from mustwatch.config.settings import Settings
from mustwatch.store.store import Store
from mustwatch.views.strength import strength_now


def stock_view(store: Store, settings: Settings, now_ms: int) -> dict[str, Any]:
    """Return the document of ``mustwatch stock --json``: ``wines`` with what is left, and the ``bottlings``."""
    plan, zone = plan_of(settings), ZoneInfo(settings.cellar.timezone)
    lots = store.book.history().lots
    today = day_of(now_ms, zone)
    rows = [
        _row(store, row, lots[row.entry.lot], plan, zone, today)
        for row in stock(store.book.entries())
        if row.entry.lot in lots
    ]
    wines: dict[tuple[str, int], dict[str, Any]] = {}
    for row in rows:
        wine = wines.setdefault(
            (row["lot"], row["year"]),
            {"lot": row["lot"], "year": row["year"], "bottles": 0, "left": 0, "litres_left": 0.0},
        )
        wine["bottles"] += row["bottles"]
        wine["left"] += row["left"]
        wine["litres_left"] = round(wine["litres_left"] + row["left"] * row["bottle_ml"] / 1000.0, 3)
    return {"at": iso(now_ms), "wines": list(wines.values()), "bottlings": rows}


def _row(
    store: Store, row: StockRow, lot: LotHistory, plan: CellarPlan, zone: ZoneInfo, today: date
) -> dict[str, Any]:
    at_ms, bottling = row.entry.at_ms, row.bottling
    vessel = plan.vessels.get(lot.vessel_at(at_ms - 1) or "")
    until = [e for e in lot.entries if e.at_ms <= at_ms]
    so2 = ledger(until, None if vessel is None else vessel.litres)
    measured = [e.what.residual_sugar_g_per_l for e in until if isinstance(e.what, Measurement)]
    sugar = next((s for s in (bottling.sugar_g_per_l, *reversed(measured)) if s is not None), None)
    strength = strength_now(store, lot)
    return {
        "id": row.id,
        "lot": row.entry.lot,
        "year": day_of(lot.started_ms, zone).year,
        "bottled_at": iso(at_ms),
        "bottles": bottling.bottles,
        "bottle_ml": bottling.bottle_ml,
        "closure": bottling.closure,
        "abv_percent": None if strength is None else round(strength.abv_percent, 1),
        "total_so2_mg_per_l": round(so2[-1].total) if so2 else None,
        "sugar_g_per_l": sugar,
        **{fate.name.lower(): row.count(fate) for fate in BottleFate},
        "left": row.left,
        "drink_from": bottling.drink_from,
        "drink_until": bottling.drink_until,
        "when": _when(bottling.drink_from, bottling.drink_until, today),
        "notes": [
            {"entry": n.entry, "at": iso(n.at_ms), "fate": n.fate.value, "bottles": n.bottles, "text": n.text}
            for n in row.taken
        ],
    }


def _when(first: str | None, last: str | None, today: date) -> str | None:
    """Return when to drink it, by the maker's own word, as of a day."""
    if first is not None and today < date.fromisoformat(first):
        return f"from {first}" + (f" until {last}" if last else "")
    if last is not None and today > date.fromisoformat(last):
        return f"past {last}"
    if last is not None:
        return f"now, until {last}"
    return None if first is None else "now"
