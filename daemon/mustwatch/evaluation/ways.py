"""Where each sensor's readings go, worked out once for as long as that holds."""

from collections.abc import Iterable, Iterator, Mapping, Sequence

from mustwatch.alerting.alert import Key, key_of
from mustwatch.alerting.newest import Newest
from mustwatch.cellar.correction import Corrector
from mustwatch.cellar.history import BEGINNING_MS, END_MS
from mustwatch.cellar.reading import Reading
from mustwatch.evaluation.placing import Placer
from mustwatch.watch.finding import Transition
from mustwatch.watch.findings.lot_missing import Said
from mustwatch.watch.lot_watch import LotWatch
from mustwatch.watch.sensor_watch import NOWHERE, SensorWatch


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
