"""Doses: an addition that passes the limit of total SO2, or is ten times what is usual, is asked about.

Most often a unit was mistyped. Too much sulfite hurts people and cannot be taken out again.
"""

from collections.abc import Iterator, Mapping

from mustwatch.cellar.additions import Purpose, purpose_of, weight_g
from mustwatch.cellar.book import Addition, Entry
from mustwatch.cellar.history import LotHistory
from mustwatch.cellar.measures import Measures
from mustwatch.cellar.profile import Profile
from mustwatch.cellar.refusal import Reason, Refusal, RefusalKind
from mustwatch.cellar.so2 import ledger, so2_mg
from mustwatch.cellar.vessel import Vessel
from mustwatch.must.sulfite import SO2_SHARE, Salt

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


def too_much(
    entry: Entry, lot: LotHistory, profile: Profile, vessel: Vessel | None, measures: Measures
) -> Iterator[Refusal]:
    """Yield why an addition is too much for its wine, as far as its weight tells."""
    what = entry.what
    if not isinstance(what, Addition):
        return
    capacity = None if vessel is None else vessel.litres
    if so2_mg(what):
        with_it = sorted([*lot.entries, entry], key=lambda e: e.at_ms)
        highest = max((at.total for at in ledger(with_it, capacity) if at.at_ms >= entry.at_ms), default=0.0)
        if highest > profile.total_so2_limit_mg_per_l:
            yield _over_the_limit(entry.lot, what, highest, profile)
            return
    known = lot.litres_at(entry.at_ms)
    litres = capacity if known is None else known
    grams, usual = weight_g(what), USUAL_G_PER_L.get(purpose_of(what))
    if grams is not None and usual is not None and litres and grams > TEN_TIMES * usual * litres:
        line = (
            f"{what.what}: {measures.mass(grams)} in {measures.volume(litres)} is {grams / litres:.3g} g/L, more than "
            f"ten times a usual addition ({measures.mass(usual * litres)}): look at the weight and its unit, and at "
            'the product\'s sheet, or take it with --despite "reason"'
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
