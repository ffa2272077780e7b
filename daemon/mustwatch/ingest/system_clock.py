"""The machine's own clocks, for ``ClockWatch`` and the source; tests inject theirs."""

import ctypes
import logging
import time
from pathlib import Path
from typing import Final

log = logging.getLogger(__name__)

_TIMEX_BYTES: Final = 512
"""Room for the kernel's ``struct timex`` (208 bytes on 64-bit Linux)."""
_TIME_ERROR: Final = 5
"""What adjtimex(2) returns while the clock is not synchronised. Source: adjtimex(2), <sys/timex.h>."""
_TIMESYNC_MARK: Final = Path("/run/systemd/timesync/synchronized")
"""Made by systemd-timesyncd once it has set the clock. Source: systemd-timesyncd.service(8)."""
_BOOT_ID: Final = Path("/proc/sys/kernel/random/boot_id")


def wall_ms() -> int:
    """Return the wall clock, milliseconds since the epoch."""
    return time.time_ns() // 1_000_000


def mono_s() -> float:
    """Return seconds since the machine started, time asleep included where the system can say (Linux)."""
    if hasattr(time, "CLOCK_BOOTTIME"):
        return time.clock_gettime(time.CLOCK_BOOTTIME)
    return time.monotonic()


def is_synchronised() -> bool | None:
    """Return whether the kernel holds its clock for synchronised; None if it cannot be asked."""
    try:
        answer = ctypes.CDLL(None, use_errno=True).adjtimex(ctypes.create_string_buffer(_TIMEX_BYTES))
    except (OSError, AttributeError):
        answer = -1
    if answer < 0:
        return True if _TIMESYNC_MARK.exists() else None
    return bool(answer != _TIME_ERROR)


def boot_id() -> str:
    """Return what names this run of the machine, or "" where the system has no such name."""
    try:
        return _BOOT_ID.read_text(encoding="ascii").strip()
    except OSError:
        return ""
