"""The lots that wait to be evaluated again, and whose turn it is."""

from typing import NamedTuple

from mustwatch.cellar.history import LotHistory
from mustwatch.evaluation.rebuild import Rebuild
from mustwatch.evaluation.revision import Pass
from mustwatch.store.revising import Due
from mustwatch.store.store import Store


class Behind(NamedTuple):
    """A lot whose conclusions are not yet what its readings and entries say, and how much of the way is done."""

    lot: str
    percent: int


class Revisions:
    """Taken up from the store when made; whatever is noted is written at once, in the caller's transaction."""

    def __init__(self, store: Store) -> None:
        """Read what is to be done still."""
        self._store = store
        self._due = {due.lot: due for due in store.revising.all()}
        self._passes: dict[str, Pass] = {}
        self._is_turn_of_first = True

    def __len__(self) -> int:
        """Return how many lots wait."""
        return len(self._due)

    def __contains__(self, lot: str) -> bool:
        """Say whether a lot waits."""
        return lot in self._due

    def note(self, lot: str, at_ms: int) -> None:
        """A lot is to be evaluated again from an instant on; one that the pass under way comes to needs no other."""
        underway = self._passes.get(lot)
        if underway is not None:
            underway.note(at_ms)
            due = underway.due
        else:
            due = self._due.get(lot, Due(lot, None))
            if due.done_ms is None or at_ms < due.done_ms:
                due = due._replace(from_ms=at_ms if due.from_ms is None else min(due.from_ms, at_ms))
        if due != self._due.get(lot):
            self._store.revising.keep(due)
            self._due[lot] = due

    def next(self) -> str:
        """Return whose turn it is: the shortest way's, and every other time the one's that waits longest.

        So an entry of today does not wait for the season of another lot, and that one comes round all the same.
        """
        self._is_turn_of_first = not self._is_turn_of_first
        if self._is_turn_of_first:
            return next(iter(self._due))
        return max(self._due, key=self._begins_ms)

    def _begins_ms(self, lot: str) -> int:
        due, underway = self._due[lot], self._passes.get(lot)
        begins = (underway.read_ms if underway else None, due.done_ms, due.from_ms)
        return next(at_ms for at_ms in begins if at_ms is not None)

    def underway(self, history: LotHistory, rebuild: Rebuild) -> Pass:
        """Return a lot's pass, begun or gone on with if need be; ``rebuild`` is then its own."""
        lot = history.lot
        if lot not in self._passes:
            self._passes[lot] = Pass(self._store, rebuild, history, self._due[lot])
        return self._passes[lot]

    def written(self, underway: Pass) -> None:
        """A stretch was written, and with it how far the pass is."""
        self._due[underway.due.lot] = underway.due

    def done(self, lot: str) -> None:
        """A pass is through; if something came meanwhile that it had passed, the lot waits for another."""
        underway = self._passes.pop(lot, None)
        del self._due[lot]
        due = Due(lot, None if underway is None else underway.from_ms)
        self._store.revising.keep(due)
        if due.from_ms is not None:
            self._due[lot] = due

    def begin_anew(self) -> None:
        """The book is another: every pass goes on from what is written of it."""
        self._passes.clear()

    def behind(self) -> tuple[Behind, ...]:
        """Return who waits, and how much of each way is done."""
        return tuple(Behind(lot, self._percent(self._passes.get(lot))) for lot in self._due)

    @staticmethod
    def _percent(underway: Pass | None) -> int:
        if underway is None or underway.newest_ms <= underway.begins_ms:
            return 0
        whole = underway.newest_ms - underway.begins_ms
        return max(0, min(99, 100 * (underway.done_ms - underway.begins_ms) // whole))
