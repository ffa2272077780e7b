"""The cellar at a glance: every vessel with its lot, estimate, forecast. The same for the command, page and API."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from mustwatch.cellar.book import Measurement, Racking, Start
from mustwatch.cellar.facts import HYDROMETER_SD
from mustwatch.cellar.history import CellarHistory, LotHistory
from mustwatch.cellar.instant import iso
from mustwatch.cellar.profile import Stage
from mustwatch.cellar.strength import Strength
from mustwatch.cellar.vessel import Vessel


def expected(of: Sequence[int] | None) -> dict[str, str | None] | None:
    """Return a forecast (at, earliest, latest in ms) as ``{at, earliest, latest}``, or None."""
    return None if of is None else {"at": iso(of[0]), "earliest": iso(of[1]), "latest": iso(of[2])}


def vessel_overview(
    vessel: str,
    history: LotHistory | None = None,
    now: Mapping[str, Any] | None = None,
    strength: Strength | None = None,
    stage: Stage | None = None,
) -> dict[str, Any]:
    """Return what is known of a vessel and the lot in it, in the words of ``mustwatch cellar --json``.

    Args:
        vessel: its name.
        history: of the lot in it, or None if it is empty.
        now: the lot's present state as kept by the evaluation, or None if nothing was read yet.
        strength: its alcohol so far, or None where it is not known.
        stage: the one it is in by book and findings (``cellar.present_stage``).
    """
    now = dict(now or {})
    if now.get("gravity") is None and history is not None:
        now |= _by_hand(history)
    gravity = now.get("gravity")
    start = history.starting_gravity() if history is not None else None
    return {
        "vessel": vessel,
        "lot": history.lot if history is not None else None,
        "stage": stage,
        "profile": history.start.profile if history is not None else None,
        "started_at": iso(history.started_ms) if history is not None else None,
        "starting_gravity": start,
        "litres": history.litres if history is not None else None,
        "gravity": _rounded(gravity, 4),
        "gravity_sd": _rounded(now.get("gravity_sd"), 5),
        "rate_per_day": _rounded(now.get("rate_per_day"), 5),
        "rate_sd": _rounded(now.get("rate_sd"), 5),
        "celsius": _rounded(now.get("temperature_c"), 2),
        "abv_percent": None if strength is None else round(strength.abv_percent, 1),
        "observed_at": iso(now.get("at_ms")),
        "finish_at": expected(now.get("finish")),
        "rack_at": expected(now.get("rack")),
    }


def _by_hand(history: LotHistory) -> dict[str, Any]:
    """Return what the book alone says of a lot no float has spoken of: its newest gravity by hand."""
    known = [*history.gravities()]
    if not known:
        return {}
    at_ms, gravity = known[-1]
    warmth = (
        e.what.temperature_c
        for e in history.entries
        if isinstance(e.what, Start | Measurement | Racking) and e.at_ms == at_ms
    )
    temperature_c = next(warmth, None)
    return {"at_ms": at_ms, "gravity": gravity, "gravity_sd": HYDROMETER_SD, "temperature_c": temperature_c}


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)


def cellar_overview(
    vessels: Mapping[str, Vessel],
    history: CellarHistory,
    now: Mapping[str, Mapping[str, Any]],
    strength: Callable[[LotHistory], Strength | None],
    stage: Callable[[LotHistory], Stage],
) -> list[dict[str, Any]]:
    """Return every configured vessel, and any other a lot sits in, in the order of the configuration."""
    by_vessel = {vessel: lot for lot in history.lots.values() for vessel in lot.parts}
    names = [*vessels, *(v for v in by_vessel if v not in vessels)]
    rows = []
    for name in names:
        lot = by_vessel.get(name)
        if lot is None:
            rows.append(vessel_overview(name))
        else:
            row = vessel_overview(name, lot, now.get(lot.lot), strength(lot), stage(lot))
            rows.append(row | {"litres": lot.parts[name], "in_several": True} if len(lot.parts) > 1 else row)
    return rows
