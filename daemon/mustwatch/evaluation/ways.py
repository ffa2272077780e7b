"""Where each sensor's readings go, worked out once for as long as that holds; and many readings given lot by lot.

In a large cellar whatever a lot remembers has long left the processor's cache when its next reading comes. So a pile of
readings is parted by lot, each lot is given all of its own at once, and what they tell is put back into the order in
which they came.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from operator import itemgetter

from mustwatch.alerting.alert import Key, key_of
from mustwatch.alerting.newest import Newest
from mustwatch.cellar.correction import Corrector
from mustwatch.cellar.history import BEGINNING_MS, END_MS
from mustwatch.cellar.reading import Reading
from mustwatch.evaluation.placing import Placer, observed
from mustwatch.watch.finding import Transition
from mustwatch.watch.findings.lot_missing import Said
from mustwatch.watch.lot_watch import LotWatch, WatchStep
from mustwatch.watch.sensor_watch import NOWHERE, SensorWatch
from mustwatch.watch.slots import slot_start_ms

Placed = tuple[int, Reading]
"""A reading with the place of its pack among all."""

Told = tuple[int, str, Sequence[Transition], Sequence[WatchStep]]
"""What a reading told: the place of its pack, the lot, what was found of the sensor, and the slots it closed."""


class Way:
    """Where one sensor's readings go while ``from_ms`` <= t < ``until_ms``.

    ``last_ms`` is the newest instant taken: what is newer cannot be a duplicate.
    """

    __slots__ = (
        "corrector",
        "from_ms",
        "last_ms",
        "lot",
        "place",
        "sensor_watch",
        "until_ms",
        "vessel",
        "watch",
    )

    def __init__(self, sensor_watch: SensorWatch | None, last_ms: int) -> None:
        """Begin without a way: it is led when a reading comes."""
        self.sensor_watch = sensor_watch
        self.last_ms = last_ms
        self.from_ms = self.until_ms = 0
        self.place = NOWHERE
        self.vessel: str | None = None
        self.lot: str | None = None
        self.watch: LotWatch | None = None
        self.corrector: Corrector | None = None

    @property
    def judge(self) -> SensorWatch | None:
        """Return the sensor's watch where a reading on this way can tell it anything."""
        judge = self.sensor_watch
        return judge if judge is not None and judge.judges(self.lot) else None

    def heard(self, judge: SensorWatch, reading: Reading) -> Sequence[Transition]:
        """Give the sensor's watch a reading; of a float in no lot, corrected, which its lot's watch else does."""
        said: Said | None = None
        if self.lot is None and self.corrector is not None and not judge.is_probe:
            gravity, _, celsius = self.corrector.correct(reading)
            value = reading.gravity if reading.gravity is not None else reading.inclination_deg
            said = Said(reading.observed_ms, value, gravity, celsius) if value is not None else None
        return judge.observe(reading, self.place, said)


class Ways:
    """The ways of all sensors, by a placer and the lots' present watches."""

    def __init__(self, placer: Placer, watches: Mapping[str, LotWatch]) -> None:
        """Use a placer; ``watches`` is looked into when a way is led, and ``forget`` says that it has changed."""
        self._placer = placer
        self._watches = watches
        self._ways: dict[str, Way] = {}

    def add(self, sensor: str, sensor_watch: SensorWatch, last_ms: int) -> None:
        """Begin with a sensor of the configuration, and the newest instant that is known of it."""
        self._ways[sensor] = Way(sensor_watch, last_ms)

    def of(self, sensor: str) -> Way:
        """Return a sensor's way; that of one no longer configured has no sensor's watch."""
        way = self._ways.get(sensor)
        if way is None:
            way = self._ways[sensor] = Way(None, BEGINNING_MS)
        return way

    def lead(self, way: Way, sensor: str, at_ms: int) -> None:
        """Work out where a sensor's readings go from an instant on."""
        way.place = self._placer.place(sensor, at_ms)
        way.vessel, way.lot, way.from_ms, way.until_ms = way.place
        way.watch = None if way.lot is None else self._watches.get(way.lot)
        way.corrector = self._placer.corrector(sensor)

    def forget(self, placer: Placer | None = None) -> None:
        """Have every way led anew: a lot's watch is another, or the book, of which a new placer knows."""
        if placer is not None:
            self._placer = placer
        for way in self._ways.values():
            way.until_ms = way.from_ms

    def booked(self) -> Iterator[Transition]:
        """Yield what ceases to hold of sensors by where the book has them now."""
        for sensor, way in self._ways.items():
            if way.sensor_watch is not None:
                yield from way.sensor_watch.booked(self._placer.history.place(sensor, END_MS - 1))

    def figures(self, sensors: Iterable[str]) -> Iterator[tuple[Key, Newest]]:
        """Yield what some sensors' watches say now of what holds."""
        for sensor in sensors:
            sensor_watch = self.of(sensor).sensor_watch
            found = None if sensor_watch is None else sensor_watch.fresh_figures()
            if found is not None:
                kind, subject, at_ms, evidence = found
                yield key_of(kind, subject), Newest(at_ms, evidence)

    def snapshots(self, sensors: Iterable[str]) -> Iterator[tuple[str, str]]:
        """Yield what the watches of some sensors remember, of those heard since they were last asked."""
        for sensor in sorted(sensors):
            sensor_watch = self.of(sensor).sensor_watch
            snapshot = None if sensor_watch is None else sensor_watch.snapshot_if_changed()
            if snapshot is not None:
                yield sensor, snapshot

    def by_lot(self, packs: Sequence[Sequence[Reading]]) -> Iterable[Sequence[Placed]] | None:
        """Return the readings of each lot in their order, or None where one of all is no plain news.

        Plain news is newer than all of its sensor, placed where those before it were, and not late for its lot.
        """
        by_sensor: dict[str, list[Placed]] = {}
        for place, pack in enumerate(packs):
            for reading in pack:
                by_sensor.setdefault(reading[0], []).append((place, reading))
        by_lot: dict[str, list[Placed]] = {}
        for sensor, mine in by_sensor.items():
            way = self.of(sensor)
            first_ms, last_ms = mine[0][1][1], mine[-1][1][1]
            if not _rises(mine, way.last_ms):
                return None
            if not way.from_ms <= first_ms < way.until_ms:
                self.lead(way, sensor, first_ms)
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
            way = self._ways[sensor]
            way.last_ms = mine[-1][1][1]
            if way.sensor_watch is not None and way.judge is None:
                way.sensor_watch.pass_by(way.last_ms)
        return by_lot.values()

    def conclude(self, readings: Iterable[Placed]) -> list[Told]:
        """Give one lot's watch its readings, and return what they tell."""
        told: list[Told] = []
        last: str | None = None
        for place, reading in readings:
            if reading[0] != last:  # of most lots all are of one sensor
                last = reading[0]
                way = self._ways[last]
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
