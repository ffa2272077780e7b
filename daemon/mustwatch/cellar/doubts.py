"""Doubts about a gravity: it rose with nothing added, fell faster than must ferments, or the float says otherwise.

Most often such a number was misread, or typed for the wrong lot. A reason takes it all the same.
"""

from collections.abc import Iterator

from mustwatch.cellar.book import Addition, Entry, Measurement, Racking, Start
from mustwatch.cellar.facts import FLOAT_SD, allowance
from mustwatch.cellar.history import LotHistory
from mustwatch.cellar.instant import DAY_MS
from mustwatch.cellar.measures import Measures
from mustwatch.cellar.refusal import Reason, Refusal, RefusalKind

FASTEST_FALL_PER_DAY = 0.05
"""No must at home ferments faster. Source: 48 g/L of CO2 in a day (Montpellier 2023, 24 °C, small stirred flasks),
which is 98 g/L of sugar and a fall of 0.045."""
READ_APART = 0.01
"""Two readings of one must may be this far apart at once (gas, pulp, another depth). Common practice, no source."""
FLOAT_APART = 0.03
"""No float drifts this far while it swims: it hangs, or the number is another wine's. Common practice, no source."""

_WHAT_TO_DO = 'look at the number and the lot again, or take it with --despite "reason"'


def doubts_of_gravity(
    entry: Entry, lot: LotHistory, float_says: float | None, measures: Measures
) -> Iterator[Refusal]:
    """Yield why a gravity read by hand is hard to believe beside the book's others and the lot's float (20/20)."""
    what = entry.what
    if not isinstance(what, Measurement | Racking) or what.gravity is None:
        return
    for earlier, later in _neighbours(entry, what.gravity, lot):
        yield from _between(earlier, later, lot, measures)
    is_by_hand = not (isinstance(what, Racking) and what.from_sensors)
    # What the float is now taken to say has been led by the entry that is corrected.
    if float_says is not None and is_by_hand and entry.replaces is None:
        yield from _beside_the_float(entry.lot, what.gravity, float_says, measures)


def _neighbours(
    entry: Entry, gravity: float, lot: LotHistory
) -> Iterator[tuple[tuple[int, float], tuple[int, float]]]:
    """Yield the book's gravity before the entry with the entry's, and the entry's with the one after."""
    known = [
        (e.at_ms, e.what.gravity)
        for e in lot.entries
        if isinstance(e.what, Start | Measurement | Racking) and e.what.gravity is not None
    ]
    this = (entry.at_ms, gravity)
    yield from ((point, this) for point in [p for p in known if p[0] <= entry.at_ms][-1:])
    yield from ((this, point) for point in [p for p in known if p[0] > entry.at_ms][:1])


def _between(
    earlier: tuple[int, float], later: tuple[int, float], lot: LotHistory, measures: Measures
) -> Iterator[Refusal]:
    (from_ms, from_gravity), (to_ms, to_gravity) = earlier, later
    added = [e.what for e in lot.entries if isinstance(e.what, Addition) and from_ms <= e.at_ms <= to_ms]
    allowed = allowance(FLOAT_SD)
    fastest = READ_APART + FASTEST_FALL_PER_DAY * (to_ms - from_ms) / DAY_MS
    first, second = measures.written(from_ms), measures.written(to_ms)
    said = f"from {measures.gravity(from_gravity)} ({first}) to {measures.gravity(to_gravity)} ({second})"
    if to_gravity - from_gravity > allowed and not added:
        error = measures.gravity_change(allowed, to_gravity)
        line = (
            f"gravity would rise {said}, more than the {error} a float may err, with nothing added: "
            'look at the number again, or record the addition first, or take it with --despite "reason"'
        )
        yield Refusal(RefusalKind.DOUBTFUL, Reason.GRAVITY_ROSE, line)
    if from_gravity - to_gravity > fastest and not any(what.litres for what in added):
        most = measures.gravity_change(fastest, to_gravity)
        line = (
            f"gravity would fall {said}, more than the fastest must does ({most} in that time): {_WHAT_TO_DO}"
        )
        yield Refusal(RefusalKind.DOUBTFUL, Reason.GRAVITY_FELL, line)


def _beside_the_float(lot: str, gravity: float, float_says: float, measures: Measures) -> Iterator[Refusal]:
    apart = gravity - float_says
    if abs(apart) <= FLOAT_APART:
        return
    side = "above" if apart > 0 else "below"
    line = (
        f"{measures.gravity(gravity)} is {measures.gravity_change(apart, float_says)} {side} what the float says of "
        f"{lot!r} ({measures.gravity(float_says)}), further than a float drifts: {_WHAT_TO_DO} "
        "(such as: the float hangs)"
    )
    yield Refusal(RefusalKind.DOUBTFUL, Reason.FLOAT_SAYS_OTHERWISE, line)
