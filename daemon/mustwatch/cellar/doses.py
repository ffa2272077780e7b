"""Doses: an addition that passes the limit of total SO2, or is ten times what is usual, is asked about.

Most often a unit was mistyped. Too much sulfite hurts people and cannot be taken out again.
"""

import re
from collections.abc import Iterator, Mapping, Sequence

from mustwatch.cellar.additions import SULFITE_WORDS, Purpose, purpose_of, volume_added_litres, weight_g
from mustwatch.cellar.book import Addition, Bottling, Entry, Measurement, Racking, Start, Told
from mustwatch.cellar.history import LotHistory
from mustwatch.cellar.parts import litres_after
from mustwatch.cellar.profile import Profile
from mustwatch.cellar.refusal import Reason, Refusal, RefusalKind
from mustwatch.cellar.told import WineAdded
from mustwatch.cellar.vessel import Vessel
from mustwatch.must.sulfite import SO2_SHARE, Salt

TABLET_G = 0.44
"""Metabisulfite in a sulfite tablet of the trade, g. From memory; the pack's own figure takes precedence."""
USUAL_SO2_MG_PER_L = 50.0
"""SO2 of one usual addition, mg/L: 30 to 50. Common practice, no source."""
TEN_TIMES = 10.0
USUAL_G_PER_L: Mapping[Purpose, float] = {
    Purpose.SULFITE: USUAL_SO2_MG_PER_L / 1000.0 / SO2_SHARE[Salt.POTASSIUM],
    Purpose.STABILISE: 0.25,
    Purpose.NUTRIENT: 0.5,
    Purpose.FINE: 1.0,
    Purpose.ACID: 2.0,
}
"""Grams per litre of one generous addition, by purpose. Common practice, no source; the product's sheet takes
precedence."""
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


def total_so2_mg_per_l(entries: Sequence[Entry], capacity_litres: float | None) -> list[tuple[int, float]]:
    """Return the least total SO2 a wine can have after each entry that tells: (instant, mg/L), oldest first.

    What was added stays, bound or free, thinned by what was added to the volume. A volume never written down is taken
    for a full vessel of ``capacity_litres``. Measured free SO2 is part of the total.
    """
    litres: float | None = None
    so2 = 0.0
    found: list[tuple[int, float]] = []
    for entry in entries:
        what = entry.what
        if isinstance(what, Start | Racking):
            litres = what.litres if what.litres is not None else litres
        elif isinstance(what, Measurement) and what.free_so2_mg_per_l is not None:
            so2 = max(so2, what.free_so2_mg_per_l)
            found.append((entry.at_ms, so2))
        elif isinstance(what, Told | Bottling):
            litres = litres_after(what, litres)
        elif isinstance(what, Addition):
            grown = volume_added_litres(what)
            before = litres if litres is not None else capacity_litres
            if before:
                so2 = (so2 * before + (_so2_brought_mg(what, capacity_litres) or 0.0)) / (before + grown)
                found.append((entry.at_ms, so2))
            litres = None if litres is None else litres + grown
    return found


def _so2_brought_mg(what: Addition, capacity_litres: float | None) -> float | None:
    """Return the SO2 that came in, mg: of wine, what its own line had."""
    if not isinstance(what, WineAdded):
        return so2_mg(what)
    known = total_so2_mg_per_l(() if what.giver is None else what.giver.entries, capacity_litres)
    return known[-1][1] * (what.litres or 0.0) if known else 0.0


def too_much(entry: Entry, lot: LotHistory, profile: Profile, vessel: Vessel | None) -> Iterator[Refusal]:
    """Yield why an addition is too much for its wine, as far as its weight tells."""
    what = entry.what
    if not isinstance(what, Addition):
        return
    capacity = None if vessel is None else vessel.litres
    if so2_mg(what):
        with_it = sorted([*lot.entries, entry], key=lambda e: e.at_ms)
        after = [mg for at_ms, mg in total_so2_mg_per_l(with_it, capacity) if at_ms >= entry.at_ms]
        highest = max(after, default=0.0)
        if highest > profile.total_so2_limit_mg_per_l:
            yield _over_the_limit(entry.lot, what, highest, profile)
            return
    known = lot.litres_at(entry.at_ms)
    litres = capacity if known is None else known
    grams, usual = weight_g(what), USUAL_G_PER_L.get(purpose_of(what))
    if grams is not None and usual is not None and litres and grams > TEN_TIMES * usual * litres:
        line = (
            f"{what.what}: {_weighed(grams)} in {litres:.3g} L is {grams / litres:.3g} g/L, more than ten times a "
            f"usual addition ({_weighed(usual * litres)}): look at the weight and its unit, and at the product's "
            'sheet, or take it with --despite "reason"'
        )
        yield Refusal(RefusalKind.DOUBTFUL, Reason.FAR_TOO_MUCH, line)


def _over_the_limit(lot: str, what: Addition, total: float, profile: Profile) -> Refusal:
    amount = "" if what.amount is None else f"{what.amount:g} {what.unit or ''}".strip() + " of "
    line = (
        f"{amount}{what.what} would bring total SO2 of {lot!r} to {total:.0f} mg/L or more, over the limit of "
        f"{profile.total_so2_limit_mg_per_l:g} mg/L (total_so2_limit_mg_per_l of profile {profile.name}; your law may "
        "ask for less). Too much sulfite makes people ill, those with asthma most, and cannot be taken out again. "
        f"Instead: look at the weight and its unit; one addition usually brings 30 to {USUAL_SO2_MG_PER_L:.0f} mg/L; "
        "mustwatch calc sulfite works out the dose"
    )
    return Refusal(RefusalKind.GATE, Reason.OVER_THE_SO2_LIMIT, line)


def _weighed(grams: float) -> str:
    return f"{grams / 1000:.3g} kg" if grams >= 1000 else f"{grams:.3g} g"
