"""A reading that is none, as one of 2099 by a clock that was never set: out of everything, kept, put back at will."""

from collections.abc import Callable

from mustwatch.cellar.history import BEGINNING_MS
from mustwatch.cellar.instant import MINUTE_MS, iso
from mustwatch.cellar.naming import unknown_sensor
from mustwatch.cellar.reading import Reading
from mustwatch.recording.recorder import Recorder
from mustwatch.recording.when import when
from mustwatch.store.readings import Readings

SHOWN = 5
"""Up to this many readings of a minute it is said when they were."""


class NoSuchReadingError(LookupError):
    """There is no such reading; the text says what there is."""


class SettingAside:
    """Sets readings of a store aside, and puts them back."""

    def __init__(self, recorder: Recorder) -> None:
        """Use a recorder, which has lots evaluated again."""
        self._store = recorder.store
        self._recorder = recorder

    def set_aside(self, sensor: str, at: str, why: str) -> Reading:
        """Set a reading aside.

        Args:
            sensor: its id.
            at: when it was observed; a minute will do if it is the only one of that minute.
            why: kept beside it.

        Raises:
            WhenError: the instant cannot be read.
            NoSuchReadingError: there is none, or there are several.
        """
        at_ms = self._instant(at)
        readings = self._store.readings.between(at_ms, self._until_ms(at, at_ms), [sensor])
        reading = self._only(sensor, at, readings)
        self._moved(lambda kept: kept.set_aside(reading, self._recorder.now_ms, why), reading)
        return reading

    def put_back(self, sensor: str, at: str) -> Reading:
        """Put a reading back that was set aside. Raises as ``set_aside`` does."""
        at_ms = self._instant(at)
        until_ms = self._until_ms(at, at_ms)
        aside = [kept.reading for kept in self._store.readings.aside(sensor)]
        reading = self._only(sensor, at, [r for r in aside if at_ms <= r.observed_ms < until_ms])
        self._moved(lambda kept: kept.put_back(reading), reading)
        return reading

    def _moved(self, move: Callable[[Readings], None], reading: Reading) -> None:
        lot = self._recorder.history.place(reading.sensor, reading.observed_ms).lot
        # From the one before it: what a watch remembers since may have turned to this one's instant already.
        before = self._store.readings.latest(reading.sensor, before_ms=reading.observed_ms)
        with self._store.transaction():
            move(self._store.readings)
            if lot is not None:
                self._store.book.note_change(lot, BEGINNING_MS if before is None else before.observed_ms)
        self._recorder.settle()

    def _instant(self, at: str) -> int:
        return when(at, self._recorder.now_ms, self._recorder.zone)

    @staticmethod
    def _until_ms(at: str, at_ms: int) -> int:
        is_to_the_digit = at_ms % MINUTE_MS != 0 or "." in at
        return at_ms + (1 if is_to_the_digit else MINUTE_MS)

    def _only(self, sensor: str, at: str, found: list[Reading]) -> Reading:
        if len(found) == 1:
            return found[0]
        if found:
            instants = ", ".join(str(iso(reading.observed_ms)) for reading in found[:SHOWN])
            raise NoSuchReadingError(
                f"{sensor} has {len(found)} readings of that minute; expected one of {instants}"
            )
        sensors = self._recorder.plan.sensors
        if sensor not in sensors and self._store.readings.key_of(sensor) is None:
            raise NoSuchReadingError(unknown_sensor(sensor, sensors))
        raise NoSuchReadingError(
            f"{sensor} has no such reading of {at!r}; expected an instant as `mustwatch export` shows it"
        )
