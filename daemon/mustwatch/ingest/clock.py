"""Whether the machine's clock can be believed, and what to make of readings stamped while it could not.

A Raspberry Pi has no clock of its own: after a power cut it begins hours or decades in the past, and jumps when
the network tells it the time. Readings without a time of their own that arrive meanwhile are stamped by the best
guess there is, marked ``ARRIVAL_UNSURE``, and moved into place once the time is known.

The means is the monotonic clock, which never jumps. Wall time minus monotonic time, the *offset*, stays the same
until somebody sets the clock; so a stretch of arrivals stamped with one offset is put right by the difference
between that offset and the true one. The offset that stamps is the *frame*: the system's own where that can be
true, else one that goes on from the last instant known to have passed. Time within frames never runs backwards,
so stretches never overlap and a correction can name its readings by when they were received.

Pure: clocks come in as callables (``system_clock`` has the real ones).
"""

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import Final, NamedTuple

from mustwatch.ingest.arrival import Arrival

STEP_MS: Final = 2_000
"""From here on a change of the offset is a step. Below it clocks are slewed and leap seconds pass; no reading is so
precise."""

NOT_BEFORE_MS: Final = 1_735_689_600_000
"""2025-01-01T00:00:00Z. This program did not exist before: a clock that says so was never set."""

LAPSE_S: Final = 24 * 3600.0
"""A clock that was set by somebody and left so for this long is believed, even if it was set back."""

OPEN_MS: Final = 2**62
"""Until when a stretch lasts that has not ended."""

_LONGEST_TRAIL: Final = 8
_MOST_STRETCHES: Final = 64
"""Bounds for a clock that is set again and again; the oldest are given up."""


class ClockState(StrEnum):
    """What is known of the wall clock."""

    SURE = "sure"
    """It was synchronised since it was last set; or the system cannot say, and nothing speaks against it."""
    UNCONFIRMED = "unconfirmed"
    """Nothing speaks against it but that it was never synchronised, or was set by somebody."""
    BEHIND = "behind"
    """It shows an instant that has passed: it is wrong, and stamps come from a guess."""


class Stretch(NamedTuple):
    """Arrivals stamped in one frame while unsure: ``from_ms`` <= ``received_ms`` <= ``until_ms`` (or ``OPEN_MS``)."""

    from_ms: int
    until_ms: int
    offset_ms: int
    was_behind: bool


class Correction(NamedTuple):
    """Move the ``ARRIVAL_UNSURE`` readings received within ``from_ms`` .. ``until_ms`` by ``shift_ms``.

    Both their instants move, and their stamp becomes ``CORRECTED``; a shift of 0 says the guess was right.
    """

    from_ms: int
    until_ms: int
    shift_ms: int


class ClockCheck(NamedTuple):
    """What a check found.

    Attributes:
        state: what is known of the clock now.
        step_ms: by how much the wall clock was set since the check before, 0 if it was not.
        corrections: to be applied in the transaction that stores ``ClockWatch.anchor()``.
    """

    state: ClockState
    step_ms: int
    corrections: tuple[Correction, ...]


@dataclass(frozen=True, slots=True)
class ClockAnchor:
    """What must survive a restart of the daemon for stamps from before it to be put right after it.

    ``boot_id`` names the run of the machine: in another the monotonic clock has begun anew, and nothing can be
    said of stretches from before. ``stepped_mono_s`` is when the wall clock was last set, ``trail`` the offsets it
    had while it was not ``BEHIND``.
    """

    boot_id: str
    state: ClockState
    system_offset_ms: int
    frame_ms: int
    stepped_mono_s: float | None = None
    trail: tuple[int, ...] = ()
    stretches: tuple[Stretch, ...] = ()


class ClockWatch:
    """Watches the wall clock against the monotonic one and against what is already stored.

    Call ``check`` before each batch of arrivals and at least once a minute; ``settled`` for each arrival.
    """

    def __init__(
        self,
        wall_ms: Callable[[], int],
        mono_s: Callable[[], float],
        is_synchronised: Callable[[], bool | None],
        *,
        boot_id: str = "",
        last_received_ms: int | None = None,
        anchor: ClockAnchor | None = None,
        not_before_ms: int = NOT_BEFORE_MS,
    ) -> None:
        """Begin to watch. Nothing is judged before the first ``check``.

        Args:
            wall_ms: the wall clock, milliseconds since the epoch.
            mono_s: the monotonic clock, seconds since whenever; it counts on while the machine sleeps.
            is_synchronised: what the system says of its clock; None if it cannot say.
            boot_id: names this run of the machine.
            last_received_ms: ``received_ms`` of the latest thing stored: the clock must be later.
            anchor: as it was stored last.
            not_before_ms: the clock must be later than this.
        """
        self._wall_ms = wall_ms
        self._mono_s = mono_s
        self._is_synchronised = is_synchronised
        self._boot_id = boot_id
        self._not_before_ms = not_before_ms
        # Within the boot the anchor knows better than the store, which may hold what was once moved wrongly.
        is_known = anchor is not None and anchor.boot_id == boot_id
        self._floor_ms = not_before_ms if is_known else max(not_before_ms, last_received_ms or not_before_ms)
        if anchor is None or not is_known:
            offset_ms = wall_ms() - _ms(mono_s())
            anchor = ClockAnchor(boot_id, ClockState.UNCONFIRMED, offset_ms, offset_ms)
        self._state = anchor.state
        self._system_ms = anchor.system_offset_ms
        self._frame_ms = anchor.frame_ms
        self._stepped_mono_s = anchor.stepped_mono_s
        self._trail = list(anchor.trail)
        self._stretches = list(anchor.stretches)

    @property
    def state(self) -> ClockState:
        """Return what the last check found."""
        return self._state

    @property
    def is_sure(self) -> bool:
        """Return whether readings stamped now need no correction."""
        return self._state is ClockState.SURE

    @property
    def is_wrong(self) -> bool:
        """Return whether the wall clock is known to be wrong; ``now_ms`` is a guess then."""
        return self._state is ClockState.BEHIND

    def now_ms(self) -> int:
        """Return the best guess at the present instant: the wall clock's, unless that is known to be wrong."""
        return self._restated(self._wall_ms(), self._mono_s())

    def anchor(self) -> ClockAnchor:
        """Return what to store. It changes only when something happened, so that it costs the card nothing."""
        return ClockAnchor(
            self._boot_id,
            self._state,
            self._system_ms,
            self._frame_ms,
            self._stepped_mono_s,
            tuple(self._trail),
            tuple(self._stretches),
        )

    def settled(self, arrival: Arrival) -> Arrival:
        """Return an arrival with ``received_ms`` in the present frame, and remember it if that is unsure."""
        received_ms = self._restated(arrival.received_ms, arrival.received_mono_s)
        if self._state is not ClockState.SURE:
            self._note_unsure(received_ms)
        return arrival if received_ms == arrival.received_ms else arrival._replace(received_ms=received_ms)

    def check(self) -> ClockCheck:
        """Look at the clocks, and return what is known of the wall clock now and what that puts right."""
        wall_ms, mono_s = self._wall_ms(), self._mono_s()
        is_synchronised = self._is_synchronised()
        step_ms = wall_ms - _ms(mono_s) - self._system_ms
        if abs(step_ms) < STEP_MS:
            step_ms = 0
        else:
            self._system_ms += step_ms
            self._stepped_mono_s = mono_s
        in_frame_ms = self._frame_ms + _ms(mono_s)
        passed_ms = max(self._floor_ms, in_frame_ms)
        self._floor_ms = self._not_before_ms
        before = self._frame_ms, self.is_wrong
        self._turn_to(
            self._judged(wall_ms, passed_ms, mono_s, step_ms == 0, is_synchronised), passed_ms - _ms(mono_s)
        )
        if self.is_sure or before != (self._frame_ms, self.is_wrong):
            self._close_stretch(in_frame_ms)
        return ClockCheck(self._state, step_ms, self._corrections())

    def _judged(
        self, wall_ms: int, passed_ms: int, mono_s: float, is_steady: bool, is_synchronised: bool | None
    ) -> ClockState:
        if wall_ms < self._not_before_ms:
            return ClockState.BEHIND
        if is_synchronised:
            return ClockState.SURE
        has_stood = self._stepped_mono_s is not None and mono_s - self._stepped_mono_s >= LAPSE_S
        if passed_ms - wall_ms >= STEP_MS and self._place_in_trail() is None and not has_stood:
            return ClockState.BEHIND
        if self.is_sure and is_steady:
            return ClockState.SURE
        if is_synchronised is None and (has_stood or self._stepped_mono_s is None):
            return ClockState.SURE
        return ClockState.UNCONFIRMED

    def _turn_to(self, state: ClockState, guess_ms: int) -> None:
        """Enter a state, and its frame: the system's offset, or the guess while the system's is behind."""
        self._state = state
        if state is ClockState.BEHIND:
            self._frame_ms = guess_ms
            return
        place = self._place_in_trail()
        if place is None:
            self._trail = [*self._trail[1 - _LONGEST_TRAIL :], self._system_ms]
        else:
            del self._trail[place + 1 :]
        self._frame_ms = self._trail[-1]
        if state is ClockState.SURE:
            del self._trail[:-1]

    def _corrections(self) -> tuple[Correction, ...]:
        """Take out the stretches on which the last word is spoken.

        That is all of them once the clock is sure. Before that: those of a clock that was behind and has been set,
        and those of a clock that was set and then set back to where it had been: an excursion.
        """
        if self._state is ClockState.BEHIND:
            return ()
        open_ones: list[Stretch] = []
        if self._state is ClockState.UNCONFIRMED:
            open_ones = [s for s in self._stretches if not s.was_behind and s.offset_ms in self._trail]
        settled = [s for s in self._stretches if s not in open_ones]
        self._stretches = open_ones
        return tuple(Correction(s.from_ms, s.until_ms, self._frame_ms - s.offset_ms) for s in settled)

    def _note_unsure(self, received_ms: int) -> None:
        if not self._stretches or self._stretches[-1].until_ms != OPEN_MS:
            self._stretches.append(Stretch(received_ms, OPEN_MS, self._frame_ms, self.is_wrong))
            del self._stretches[:-_MOST_STRETCHES]

    def _close_stretch(self, until_ms: int) -> None:
        if self._stretches and self._stretches[-1].until_ms == OPEN_MS:
            # An arrival may be stamped a little ahead of its frame, see ``_restated``.
            self._stretches[-1] = self._stretches[-1]._replace(until_ms=until_ms + STEP_MS - 1)

    def _restated(self, received_ms: int, received_mono_s: float) -> int:
        in_frame_ms = self._frame_ms + _ms(received_mono_s)
        return received_ms if abs(received_ms - in_frame_ms) < STEP_MS else in_frame_ms

    def _place_in_trail(self) -> int | None:
        places = (i for i, offset_ms in enumerate(self._trail) if abs(offset_ms - self._system_ms) < STEP_MS)
        return next(places, None)


def _ms(seconds: float) -> int:
    return round(seconds * 1000.0)
