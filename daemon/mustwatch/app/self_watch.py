"""What the daemon finds about itself and its sensors' silence: findings like any other, made on the wall clock."""

import threading
from collections.abc import Callable, Iterable, Mapping

from mustwatch.alerting.alert import Alert
from mustwatch.cellar.history import CellarHistory, Placement
from mustwatch.cellar.instant import DAY_MS
from mustwatch.cellar.quantities import Instant
from mustwatch.cellar.sensor import Sensor
from mustwatch.ingest.clock import ClockState
from mustwatch.watch.detector import NO_EVIDENCE
from mustwatch.watch.finding import Change, Evidence, FindingKind, Severity, Subject, Transition
from mustwatch.watch.findings import (
    broker_trouble,
    clock_wrong,
    delivery_trouble,
    sensor_silent,
    storage_trouble,
    unwatched,
)
from mustwatch.watch.findings.storage_trouble import Part, StorageTrouble, StorageTroubles

SILENCE_EVERY_S = 15.0
"""How often silence is looked for; it is judged in minutes."""
BROKER_WELL_AFTER_MS = DAY_MS
"""A session lost or contested is an event; how long what is told of it stands."""
STORAGE_TOLD_AFTER_S = 20.0
"""A failed commit that is mended by then was another process's long transaction, not a full card."""

Place = Callable[[str, int], Placement]


def cannot_write(error: str) -> tuple[str, str]:
    """Return title and text of what is said directly when the store cannot be written."""
    return (
        "mustwatch cannot write to its card",
        f"The store says: {error}. No reading is lost yet: the broker keeps what comes.\n"
        "Make room on the card, or look whether it is worn out; then nothing else needs doing.",
    )


class SelfWatch:
    """Keeps what holds of ``sensor-silent``, ``clock-wrong`` and of the troubles with storage, delivery and broker.

    Silence is measured by the monotonic clock from the last arrival, or from the start of the daemon: neither a
    restart nor a clock that jumps makes every sensor silent at once.
    """

    def __init__(
        self,
        sensors: Mapping[str, Sensor],
        holding: Iterable[Alert],
        mono_s: float,
        say_directly: Callable[[str, str], None] = lambda _title, _body: None,
    ) -> None:
        """Begin.

        Args:
            sensors: as configured.
            holding: the alerts that hold.
            mono_s: the present, monotonic seconds.
            say_directly: tells a title and a text without the store, for when the store cannot be written.
        """
        self._sensors = sensors
        self._heard_mono_s = dict.fromkeys(sensors, mono_s)
        self._say_directly = say_directly
        alerts = [a for a in holding if not a.is_over]
        self._silent = {a.subject.sensor for a in alerts if a.kind is sensor_silent.KIND}
        self._open = {a.kind for a in alerts}
        self._broker_trouble_ms = max(
            (a.raises[-1].at_ms for a in alerts if a.kind is broker_trouble.KIND), default=0
        )
        self._clock_was_behind = False
        self._looked_mono_s = mono_s
        self._storage_failed_ms: int | None = None
        self._storage_failed_mono_s = mono_s
        self._storage_error = ""
        self._storage_said = False
        self._storage = StorageTroubles(
            next(((a.severity, a.evidence) for a in alerts if a.kind is storage_trouble.KIND), None)
        )
        self._unwatched = {a.subject.lot for a in alerts if a.kind is unwatched.KIND}
        self._lock = threading.Lock()
        self._made_elsewhere: list[Transition] = []

    def heard(self, sensor: str, mono_s: float) -> None:
        """Note that a sensor spoke."""
        self._heard_mono_s[sensor] = mono_s

    def was_deaf(self, mono_s: float) -> None:
        """Begin to count silence anew: for a while nobody was listened to, which is not the sensors' doing."""
        self._heard_mono_s = dict.fromkeys(self._sensors, mono_s)

    def last_heard_s(self, mono_s: float) -> dict[str, float]:
        """Return for every sensor how many seconds ago it spoke (or the daemon started)."""
        return {sensor: mono_s - heard for sensor, heard in self._heard_mono_s.items()}

    def look(self, now_ms: int, mono_s: float, clock: ClockState, place: Place) -> list[Transition]:
        """Return what began or ceased to hold since the last look."""
        found = self._elsewhere()
        found += self._clock(now_ms, clock)
        if now_ms - self._broker_trouble_ms >= BROKER_WELL_AFTER_MS:
            found += self._turn(broker_trouble.KIND, None, now_ms)
        if mono_s - self._looked_mono_s >= SILENCE_EVERY_S:
            self._looked_mono_s = mono_s
            for sensor in self._sensors.values():
                transition = self._silence(sensor, now_ms, mono_s, place)
                if transition is not None:
                    found.append(transition)
        return found

    def _silence(self, sensor: Sensor, now_ms: int, mono_s: float, place: Place) -> Transition | None:
        placement = place(sensor.id, now_ms)
        if placement.vessel is None and not sensor.room:
            return None
        heard_ms = now_ms - round((mono_s - self._heard_mono_s[sensor.id]) * 1000)
        subject = Subject(placement.lot, placement.vessel, sensor.id)
        is_open = sensor.id in self._silent
        transition = sensor_silent.judge_silence(
            subject, heard_ms, sensor.silent_after_s, now_ms, is_open=is_open
        )
        if transition is not None:
            (self._silent.discard if is_open else self._silent.add)(sensor.id)
        return transition

    def lots(self, missing: Mapping[str, str], history: CellarHistory, now_ms: int) -> list[Transition]:
        """Return of which lots it began or ceased to hold that nobody watches them."""
        found = []
        for lot in sorted(missing.keys() ^ {lot for lot in self._unwatched if lot is not None}):
            begins = lot in missing
            (self._unwatched.add if begins else self._unwatched.discard)(lot)
            known = history.lots.get(lot)
            subject = Subject(lot, None if known is None else known.vessel)
            change = Change.RAISED if begins else Change.CLEARED
            evidence = unwatched.Missing(missing[lot]).figures() if begins else {}
            found.append(Transition(unwatched.KIND, change, now_ms, Severity.WARNING, subject, evidence))
        return found

    def _clock(self, now_ms: int, clock: ClockState) -> list[Transition]:
        was_behind, self._clock_was_behind = self._clock_was_behind, clock is ClockState.BEHIND
        if clock is ClockState.UNCONFIRMED and not was_behind:
            return []  # nothing is known to be wrong, nor what was wrong in a former run to be right
        return self._turn(clock_wrong.KIND, NO_EVIDENCE if self._clock_was_behind else None, now_ms)

    def _turn(self, kind: FindingKind, evidence: Evidence | None, at_ms: int) -> list[Transition]:
        """Return the transition of a finding about the daemon, if what holds (None: nothing) has changed."""
        if (evidence is not None) == (kind in self._open):
            return []
        (self._open.discard if evidence is None else self._open.add)(kind)
        change, figures = (Change.CLEARED, {}) if evidence is None else (Change.RAISED, evidence.figures())
        return [Transition(kind, change, at_ms, Severity.WARNING, Subject(), figures)]

    def _elsewhere(self) -> list[Transition]:
        with self._lock:
            found, self._made_elsewhere = self._made_elsewhere, []
        return found

    def storage_failed(self, error: str, now_ms: int, mono_s: float) -> None:
        """Note that the store cannot be written; it is said at once, once, by the way that needs no store."""
        if self._storage_failed_ms is None:
            self._storage_failed_ms = now_ms
            self._storage_failed_mono_s = mono_s
            self._storage_error = error
        self.storage_still_failing(mono_s)

    def storage_still_failing(self, mono_s: float) -> None:
        """Say that the store cannot be written once that has lasted; call now and then until it is well."""
        if self._storage_failed_ms is None or self._storage_said:
            return
        if mono_s - self._storage_failed_mono_s >= STORAGE_TOLD_AFTER_S:
            self._storage_said = True
            self._say_directly(*cannot_write(self._storage_error))

    def storage_well(self, now_ms: int) -> None:
        """Note that the store can be written; if it was said that it could not, that is now on record and over."""
        if self._storage_failed_ms is None:
            return
        failed_ms, self._storage_failed_ms = self._storage_failed_ms, None
        if self._storage_said:
            self._storage_said = False
            minutes = round((now_ms - failed_ms) / 60_000, 1)
            what = f"the card could not be written for {minutes:g} minutes: {self._storage_error}"
            self.storage(Part.CARD, StorageTrouble(what, Severity.URGENT), failed_ms)
            self.storage(Part.CARD, None, now_ms)

    def storage(self, part: Part, trouble: StorageTrouble | None, now_ms: int) -> None:
        """Note how one part of the storage stands; None: well. Safe from any thread."""
        with self._lock:
            self._made_elsewhere += self._storage.note(part, trouble, now_ms)

    def broker(self, what: str, missing_since_ms: int | None, now_ms: int) -> None:
        """Note that the broker's session is ``lost`` or ``contested``; a day without more, and it is over."""
        since = None if missing_since_ms is None else Instant(missing_since_ms)
        with self._lock:
            self._broker_trouble_ms = now_ms
            self._made_elsewhere += self._turn(
                broker_trouble.KIND, broker_trouble.Session(what, since), now_ms
            )

    def delivery(self, found: delivery_trouble.Undelivered | None, now_ms: int) -> None:
        """Note how delivery stands, None: well; called by the outbox worker's thread."""
        with self._lock:
            self._made_elsewhere += self._turn(delivery_trouble.KIND, found, now_ms)
