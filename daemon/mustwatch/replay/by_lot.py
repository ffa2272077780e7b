"""Many readings at once, lot by lot: a sixth of a replay's processor time less, and nothing else.

In a large cellar whatever a lot remembers has long left the processor's cache when its next reading comes. So a pile of
readings is parted by lot, each lot is given all of its own at once, and what they tell is put back into the order in
which they came.
"""

from collections.abc import Iterable, Iterator, Sequence
from itertools import chain
from operator import itemgetter

from mustwatch.cellar.history import BEGINNING_MS
from mustwatch.cellar.reading import Reading
from mustwatch.evaluation.live import Evaluation
from mustwatch.evaluation.placing import observed
from mustwatch.evaluation.ways import Ways
from mustwatch.watch.finding import Transition
from mustwatch.watch.lot_watch import WatchStep
from mustwatch.watch.slots import slot_start_ms

LOT_BY_LOT = True
"""The switch: without it a replay takes one reading after the other, as the daemon does."""

Placed = tuple[int, Reading]
"""A reading with the place of its pack among all."""

Told = tuple[int, str, Sequence[Transition], Sequence[WatchStep]]
"""What a reading told: the place of its pack, the lot, what was found of the sensor, and the slots it closed."""


def take_all(evaluation: Evaluation, packs: Sequence[Sequence[Reading]]) -> Iterator[int]:
    """Take readings as they came, a pack for each message, and yield the place of each pack that tells something.

    Something began or ceased to hold with that pack: the caller commits, and goes on. What is concluded, and in
    which order, is as if they were taken one by one.
    """
    parted = _by_lot(evaluation.ways, packs) if LOT_BY_LOT and not evaluation.is_late else None
    if parted is None:
        yield from _one_by_one(evaluation, packs)
        return
    for pack in packs:
        evaluation.note_fresh(pack)
    told = sorted(chain.from_iterable(_conclude(evaluation.ways, of) for of in parted), key=itemgetter(0))
    for i, (place, lot, transitions, steps) in enumerate(told, 1):
        evaluation.note_told(lot, transitions, steps)
        if evaluation.wants_commit and (i == len(told) or told[i][0] != place):
            yield place


def _one_by_one(evaluation: Evaluation, packs: Sequence[Sequence[Reading]]) -> Iterator[int]:
    for place, pack in enumerate(packs):
        for reading in pack:
            evaluation.take(reading)
        if evaluation.wants_commit:
            yield place


def _by_lot(ways: Ways, packs: Sequence[Sequence[Reading]]) -> Iterable[Sequence[Placed]] | None:
    """Return the readings of each lot in their order, or None where one of all is no plain news.

    Plain news is newer than all of its sensor, placed where those before it were, and not late for its lot.
    """
    by_sensor: dict[str, list[Placed]] = {}
    for place, pack in enumerate(packs):
        for reading in pack:
            by_sensor.setdefault(reading[0], []).append((place, reading))
    by_lot: dict[str, list[Placed]] = {}
    for sensor, mine in by_sensor.items():
        way = ways.of(sensor)
        first_ms, last_ms = mine[0][1][1], mine[-1][1][1]
        if not _rises(mine, way.last_ms):
            return None
        if not way.from_ms <= first_ms < way.until_ms:
            ways.lead(way, sensor, first_ms)
        if last_ms >= way.until_ms:
            return None
        if way.lot is None or way.vessel is None:
            by_lot[f"{sensor}, in no lot"] = mine
        elif way.watch is None or first_ms < way.watch.horizon_ms:
            return None
        elif way.lot in by_lot:
            by_lot[way.lot] = together = sorted(by_lot[way.lot] + mine, key=itemgetter(0))
            if not _in_their_slots(together):
                return None
        else:
            by_lot[way.lot] = mine
    for sensor, mine in by_sensor.items():
        way = ways.of(sensor)
        way.last_ms = mine[-1][1][1]
        if way.sensor_watch is not None and way.judge is None:
            way.sensor_watch.pass_by(way.last_ms)
    return by_lot.values()


def _conclude(ways: Ways, readings: Iterable[Placed]) -> list[Told]:
    """Give one lot's watch its readings, and return what they tell."""
    told: list[Told] = []
    last: str | None = None
    for place, reading in readings:
        if reading[0] != last:  # of most lots all are of one sensor
            last = reading[0]
            way = ways.of(last)
            lot, vessel, watch, corrector = way.lot, way.vessel, way.watch, way.corrector
            judge = way.judge
        if judge is not None:
            transitions = way.heard(judge, reading)
            if transitions:
                told.append((place, "", transitions, ()))
        if lot is not None and vessel is not None and watch is not None and corrector is not None:
            steps = watch.observe(observed(reading, vessel, corrector))
            if steps:
                told.append((place, lot, (), steps))
    return told


def _rises(readings: Sequence[Placed], last_ms: int) -> bool:
    """Say whether each reading is newer than the one before, the first newer than ``last_ms``."""
    for _, reading in readings:
        if reading[1] <= last_ms:
            return False
        last_ms = reading[1]
    return True


def _in_their_slots(readings: Iterable[Placed]) -> bool:
    """Say whether no reading comes after one of a later slot."""
    newest_ms = BEGINNING_MS
    for _, reading in readings:
        if reading[1] < newest_ms:
            return False
        newest_ms = max(newest_ms, slot_start_ms(reading[1]))
    return True
