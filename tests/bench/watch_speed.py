"""Does the watch slow down as history grows? One lot, a reading every five minutes for a year."""

import math
import time
from random import Random
from typing import Any

from watch_judging import DAY_MS

from mustwatch.cellar.profile import Profile
from mustwatch.watch.lot_watch import LotWatch
from mustwatch.watch.observation import Observation
from mustwatch.watch.slots import SLOT_MS

BEGIN_MS = 1_790_000_100_000 // SLOT_MS * SLOT_MS
EVERY_MS = 300_000
DAYS = 365
PARTS = 12


def said(i: int, random: Random) -> Observation:
    """Return what the float says: a ferment of a week, then a still wine; day and night all year."""
    day = i * EVERY_MS / DAY_MS
    gravity = 0.994 + 0.09 / (1.0 + math.exp(min(600.0, (day - 3.5) * 1.6))) + random.gauss(0, 0.0015)
    warm = 19.0 + 1.5 * math.sin(2 * math.pi * day) + random.gauss(0, 0.05)
    at_ms = BEGIN_MS + i * EVERY_MS + random.randrange(5000)
    return Observation(at_ms, "float", "bucket", round(gravity * 2000) / 2000, None, round(warm * 16) / 16)


def year() -> dict[str, Any]:
    """Return µs of processor time per reading, month by month, and the snapshot's size at the end."""
    random = Random(1)
    watch = LotWatch("lot", "bucket", Profile(), BEGIN_MS)
    count = DAYS * DAY_MS // EVERY_MS // PARTS
    spent = []
    for part in range(PARTS):
        observations = [said(part * count + i, random) for i in range(count)]
        begun = time.process_time()
        for obs in observations:
            watch.observe(obs)
        spent.append(round(1e6 * (time.process_time() - begun) / count, 2))
    return {"readings": count * PARTS, "us_per_reading": spent, "snapshot_bytes": len(watch.snapshot())}


def show_year(of: dict[str, Any]) -> None:
    """Print it."""
    spent = of["us_per_reading"]
    print(
        f"\na year of one lot, a reading every five minutes ({of['readings']} readings), µs per reading by month:"
    )
    print("   ", " ".join(f"{s:.1f}" for s in spent), f"; snapshot at the end {of['snapshot_bytes']} bytes")
