"""A small machine whose wall clock can be wrong, simulated: what it stored is known to the millisecond."""

from dataclasses import dataclass, field

from mustwatch.ingest.anchor_json import anchor_from_json, anchor_to_json
from mustwatch.ingest.arrival import Arrival
from mustwatch.ingest.clock import ClockAnchor, ClockState, ClockWatch, Correction

BOOT_MS = 1_790_000_000_000
HOUR_MS, DAY_MS = 3_600_000, 86_400_000
FIFTY_YEARS_MS = 50 * 365 * DAY_MS


@dataclass
class Machine:
    """True time, the wall clock's error, and the readings stored, each with the true instant of its arrival."""

    wall_error_ms: int = 0
    is_synchronised: bool | None = False
    mono_s: float = 100.0
    booted_ms: int = BOOT_MS
    boot_id: str = "boot-1"
    stored: list[list[int | bool]] = field(default_factory=list)
    watch: ClockWatch = field(init=False)
    steps: list[int] = field(default_factory=list)

    @property
    def true_ms(self) -> int:
        return self.booted_ms + round(self.mono_s * 1000)

    def start(self, last_received_ms: int | None = None, anchor: ClockAnchor | None = None) -> ClockState:
        self.watch = ClockWatch(
            lambda: self.true_ms + self.wall_error_ms,
            lambda: self.mono_s,
            lambda: self.is_synchronised,
            boot_id=self.boot_id,
            last_received_ms=last_received_ms,
            anchor=anchor,
        )
        return self.check()

    def restart_daemon(self) -> ClockState:
        anchor = anchor_from_json(anchor_to_json(self.watch.anchor()))
        return self.start(max(int(row[1]) for row in self.stored), anchor)

    def check(self) -> ClockState:
        check = self.watch.check()
        if check.step_ms:
            self.steps.append(check.step_ms)
        self.apply(check.corrections)
        return check.state

    def apply(self, corrections: tuple[Correction, ...]) -> None:
        for from_ms, until_ms, shift_ms in corrections:
            for row in self.stored:
                if row[2] and from_ms <= row[1] <= until_ms:
                    row[1] += shift_ms
                    row[2] = False

    def live(self, minutes: int) -> None:
        """Live on, a check and a reading every minute."""
        for _ in range(minutes):
            self.mono_s += 60.0
            self.check()
            self.read()

    def read(self) -> None:
        arrival = Arrival("t", b"", self.true_ms + self.wall_error_ms, self.mono_s)
        settled = self.watch.settled(arrival)
        self.stored.append([self.true_ms, settled.received_ms, not self.watch.is_sure])

    def set_clock(self, error_ms: int, is_synchronised: bool | None = None) -> None:
        self.wall_error_ms = error_ms
        if is_synchronised is not None:
            self.is_synchronised = is_synchronised

    def errors_ms(self) -> set[int]:
        return {int(row[1]) - int(row[0]) for row in self.stored}

    def unsure(self) -> int:
        return sum(bool(row[2]) for row in self.stored)
