"""The backward pass: what was the gravity then, as everything known since tells it. For the record and the charts.

The live estimate of an instant knows nothing of what came after it. Here the same watch is run over a lot's events
once more, every slot's state is kept, and a second pass from the end back lets each slot know its future. It takes
memory with the length of the history, so it is for looking back, never for the live path.

Source: fixed-interval smoother of Rauch, Tung and Striebel 1965, AIAA Journal 3:1445.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from mustwatch.cellar.book import Entry
from mustwatch.cellar.profile import Profile
from mustwatch.watch.estimate import Estimate
from mustwatch.watch.gravity_filter import LONG_SILENCE_DAYS, GravityFilter
from mustwatch.watch.lot_watch import LotWatch, WatchStep
from mustwatch.watch.motion import motion
from mustwatch.watch.observation import Observation

Vector = list[float]
Matrix = list[list[float]]


@dataclass(slots=True)
class _State:
    """The state at a slot's end, and how the next slot was foretold from it."""

    x: Vector
    p: Matrix
    advanced: float = 0.0
    hastened: float = 1.0
    ahead_x: Vector | None = None
    ahead_p: Matrix | None = None


@dataclass(slots=True)
class _Slot:
    """One slot of the tape: the estimate made then, and the state."""

    estimate: Estimate
    state: _State


@dataclass(slots=True)
class TapedFilter(GravityFilter):
    """A filter that keeps what the backward pass needs of its last prediction."""

    advanced: float = 0.0
    hastened: float = 1.0
    ahead_x: Vector = field(default_factory=list)
    ahead_p: Matrix = field(default_factory=list)
    retaped: list[_State] = field(default_factory=list)

    def predict(self, dt: float, warmer_k: float = 0.0) -> float:
        """Advance, and keep how."""
        self.hastened = GravityFilter.predict(self, dt, warmer_k)
        self.advanced = dt
        self._keep_ahead()
        return self.hastened

    def come_back(self, mark: list[Any], steps: Iterable[tuple[float, float]]) -> None:
        """Come back to a mark, and keep how each slot since then would have been foretold from the one before."""
        retaped: list[_State] = []
        GravityFilter.come_back(self, mark, ())
        for days, warmer_k in steps:
            here = (list(self.x), [list(row) for row in self.p])
            self.predict(days, warmer_k)
            retaped.append(_State(*here, self.advanced, self.hastened, self.ahead_x, self.ahead_p))
        self.retaped = retaped

    def allow_drift(self, i: int, variance: float) -> None:
        """Allow for a drift: it came about before the check that showed it."""
        GravityFilter.allow_drift(self, i, variance)
        if self.ahead_x:
            self._keep_ahead()

    def _keep_ahead(self) -> None:
        self.ahead_x = list(self.x)
        self.ahead_p = [list(row) for row in self.p]


def smooth(
    lot: str, vessel: str, profile: Profile, started_ms: int, events: Iterable[Observation | Entry]
) -> list[Estimate]:
    """Return the smoothed estimate at the end of every slot of a lot's history.

    Args:
        lot, vessel, profile, started_ms: as for ``LotWatch``.
        events: the lot's observations and entries in time order.

    Returns:
        estimates in time order, one for each slot with events; those before the first gravity as they were.
    """
    watch = LotWatch(lot, vessel, profile, started_ms, make_filter=TapedFilter)
    before: list[Estimate] = []
    tape: list[_Slot] = []
    for event in events:
        steps = watch.observe(event) if isinstance(event, Observation) else watch.enter(event)
        for step in steps:
            _record(watch, step, before, tape)
    for step in watch.advance(2**62):
        _record(watch, step, before, tape)
    return before + _backward(tape)


def _record(watch: LotWatch, step: WatchStep, before: list[Estimate], tape: list[_Slot]) -> None:
    kept = watch.filter
    if not isinstance(kept, TapedFilter):
        before.append(step.estimate)
        return
    if tape and kept.ahead_x:
        last = tape[-1].state
        last.advanced, last.hastened = kept.advanced, kept.hastened
        last.ahead_x, last.ahead_p = kept.ahead_x, kept.ahead_p
    for back, state in enumerate(reversed(kept.retaped), 1):
        tape[-back].state = state
    kept.retaped = []
    tape.append(_Slot(step.estimate, _State(list(kept.x), [list(row) for row in kept.p])))


def _backward(tape: list[_Slot]) -> list[Estimate]:
    if not tape:
        return []
    x, p = tape[-1].state.x, tape[-1].state.p
    found = [_estimate(tape[-1].estimate, x, p)]
    for taped in reversed(tape[:-1]):
        slot = taped.state
        if slot.ahead_x is None or slot.ahead_p is None:
            x, p = slot.x, slot.p
        else:
            # A float that came later is not part of the earlier state; what is known of it is left aside.
            n = len(slot.x)
            ahead_p = [row[:n] for row in slot.ahead_p[:n]]
            gain = _gain(slot, ahead_p)
            off = [x[j] - slot.ahead_x[j] for j in range(n)]
            wider = [[p[i][j] - ahead_p[i][j] for j in range(n)] for i in range(n)]
            x = [slot.x[i] + sum(g * d for g, d in zip(gain[i], off, strict=True)) for i in range(n)]
            half = _times(gain, wider)
            p = [
                [slot.p[i][j] + sum(a * b for a, b in zip(half[i], gain[j], strict=True)) for j in range(n)]
                for i in range(n)
            ]
        found.append(_estimate(taped.estimate, x, p))
    found.reverse()
    return found


def _gain(slot: _State, ahead_p: Matrix) -> Matrix:
    """Return P F' (P ahead)^-1, row by row as the solution of (P ahead) g = F p."""
    lower = _cholesky(ahead_p)
    if slot.advanced > LONG_SILENCE_DAYS:
        return [_solve(lower, [row[0], 0.0, 0.0, *row[3:]]) for row in slot.p]
    t, h = motion(slot.advanced), slot.hastened
    rows = []
    for row in slot.p:
        f1, f2 = h * row[1], h * row[2]
        moved = [row[0] + t.dt * f1 + t.f13 * f2, f1 + t.f23 * f2, t.f33 * f2, *row[3:]]
        rows.append(_solve(lower, moved))
    return rows


def _cholesky(a: Matrix) -> Matrix:
    n = len(a)
    lower = [[0.0] * n for _ in range(n)]
    for i in range(n):
        for j in range(i + 1):
            rest = a[i][j] - sum(lower[i][k] * lower[j][k] for k in range(j))
            # Rounding may leave an element known to the last digit a little below nothing.
            lower[i][j] = max(rest, 1e-24) ** 0.5 if i == j else rest / lower[j][j]
    return lower


def _solve(lower: Matrix, b: Vector) -> Vector:
    n = len(b)
    y = [0.0] * n
    for i in range(n):
        y[i] = (b[i] - sum(lower[i][k] * y[k] for k in range(i))) / lower[i][i]
    for i in range(n - 1, -1, -1):
        y[i] = (y[i] - sum(lower[k][i] * y[k] for k in range(i + 1, n))) / lower[i][i]
    return y


def _times(a: Matrix, b: Matrix) -> Matrix:
    columns = list(zip(*b, strict=True))
    return [[sum(x * y for x, y in zip(row, column, strict=True)) for column in columns] for row in a]


def _estimate(was: Estimate, x: Vector, p: Matrix) -> Estimate:
    return was._replace(
        gravity=x[0], gravity_sd=max(p[0][0], 0.0) ** 0.5, rate_per_day=x[1], rate_sd=max(p[1][1], 0.0) ** 0.5
    )
