"""The short form of the soak: a minute of everything at once, nothing lost. `make soak` has two hours, nothing grown."""

import os
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from soak import is_flat, soak

MINUTES = float(os.environ.get("MUSTWATCH_SOAK_MINUTES", "1"))


@pytest.mark.broker
def test_nothing_is_lost(tmp_path: Path) -> None:
    found = soak(MINUTES, tmp_path)
    assert is_flat(found), {name: of for name, of in found.items() if name != "samples"}


def test_the_judge_can_say_no() -> None:
    flat = {
        "minutes": 120.0,
        "messages": 40,
        "notes": 9,
        "lost": 0,
        "exit": 0,
        "grown": {"resident_mb": 1.0, "descriptors": 0, "threads": 0, "wal_mb": 0.0},
        "log_bytes_an_hour": [900, 1000],
    }
    assert is_flat(flat)
    for worse in ({"lost": 1}, {"exit": 1}, {"log_bytes_an_hour": [900, 90_000]}):
        assert not is_flat({**flat, **worse})
    for name in ("resident_mb", "descriptors", "threads", "wal_mb"):
        assert not is_flat({**flat, "grown": {**flat["grown"], name: 60}})  # type: ignore[dict-item]
    short = {**flat, "minutes": 1.0, "log_bytes_an_hour": [0, 90_000]}
    assert is_flat(short)
    for worse in ({"lost": 1}, {"exit": 1}, {"messages": 0}, {"notes": 0}):
        assert not is_flat({**short, **worse})
