"""A machine slowed by the kernel: processes put under a quota get so much of one core, whatever they do."""

import os
import uuid
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from brokers import missing

PERIOD_US = 100_000
V1, V2 = Path("/sys/fs/cgroup/cpu"), Path("/sys/fs/cgroup")


def others_load() -> float:
    """Return how many processes there are for each core, at least 1: by so much everything here takes longer."""
    return max(1.0, os.getloadavg()[0] / (os.cpu_count() or 1))


@contextmanager
def slowed_to(share: float) -> Iterator[list[str]]:
    """Return what to put before a command so that it and all it starts get this share of one core."""
    is_v2 = (V2 / "cgroup.controllers").exists()
    group = (V2 if is_v2 else V1) / f"mustwatch-{uuid.uuid4().hex[:8]}"
    quota = round(share * PERIOD_US)
    try:
        group.mkdir()
        if is_v2:
            (group / "cpu.max").write_text(f"{quota} {PERIOD_US}")
        else:
            (group / "cpu.cfs_period_us").write_text(str(PERIOD_US))
            (group / "cpu.cfs_quota_us").write_text(str(quota))
    except OSError as error:
        missing(f"no control group with a processor quota can be made (root, cpu controller): {error}")
    try:
        yield ["/bin/sh", "-c", f'echo $$ > {group}/cgroup.procs && exec "$@"', "slowed"]
    finally:
        home = group.parent / "cgroup.procs"
        for pid in (group / "cgroup.procs").read_text().split():
            with suppress(OSError):
                home.write_text(pid)
        group.rmdir()
