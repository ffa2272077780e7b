"""Nothing lost, nothing told twice: every fault at the size of the CI. The table is printed by `make faults`."""

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

HERE = Path(__file__).parent
FAULTS = (
    "kill",
    "broker",
    "network",
    "mirror",
    "endpoint",
    "messenger",
    "card",
    "clock",
    "power",
    "payloads",
)


@pytest.fixture(scope="module")
def rows() -> dict[str, dict[str, Any]]:
    done = subprocess.run([sys.executable, str(HERE / "run.py")], capture_output=True, text=True, check=False)
    print(done.stdout)
    found = json.loads((HERE / "out" / "faults.json").read_text())["rows"]
    return {row["name"]: row for row in found}


@pytest.mark.broker
@pytest.mark.parametrize("name", FAULTS)
def test_nothing_is_lost_and_nothing_told_twice(rows: dict[str, dict[str, Any]], name: str) -> None:
    row = rows[name]
    if "skipped" in row and os.environ.get("CI") != "true":
        pytest.skip(row["skipped"])
    assert "tried" in row, row["notes"]
    assert row["tried"] > 0
    assert row["lost"] == 0, row["notes"]
    assert not row["told_twice"], row["notes"]
