"""Break things on purpose, count what was lost and what was told twice, and print the table of it.

    make faults                      the sizes that the CI runs
    make soak                        the long form
    python tests/faults/run.py --only kill,power --long
    MUSTWATCH_FAULTS_KILL=50 ...     so many of one of them

Every fault runs in a process of its own, some side by side. The table goes to standard output, and with all notes as
JSON to tests/faults/out/faults.json.
"""

import argparse
import importlib
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict
from pathlib import Path
from typing import Any, NamedTuple

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), str(HERE.parent)]
OUT = HERE / "out"
ABREAST = 3
"""Faults run side by side: most of the time they wait."""


class Fault(NamedTuple):
    """A fault: its module is ``fault_NAME``; how often it is tried in the CI and in the long form."""

    name: str
    ci: int
    long: int


FAULTS = (
    Fault("kill", 20, 200),
    Fault("broker", 5, 50),
    Fault("network", 5, 50),
    Fault("mirror", 1, 5),
    Fault("endpoint", 5, 20),
    Fault("messenger", 20, 150),
    Fault("card", 2, 10),
    Fault("clock", 1, 1),
    Fault("power", 10, 100),
    Fault("payloads", 100_000, 100_000),
)
LONGEST_FIRST = (
    "payloads",
    "clock",
    "card",
    "kill",
    "network",
    "broker",
    "endpoint",
    "power",
    "messenger",
    "mirror",
)


def main() -> int:
    """Run what is asked for; 0: nothing was lost and nothing told twice."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--long", action="store_true", help="the long form")
    parser.add_argument("--only", help="some faults by name, with commas")
    parser.add_argument("--child", nargs=2, metavar=("NAME", "COUNT"), help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.child:
        return _child(arguments.child[0], int(arguments.child[1]))
    wanted = arguments.only.split(",") if arguments.only else [fault.name for fault in FAULTS]
    counts = {fault.name: _count(fault, arguments.long) for fault in FAULTS if fault.name in wanted}
    began = time.monotonic()
    with ThreadPoolExecutor(ABREAST) as pool:
        order = [name for name in LONGEST_FIRST if name in counts]
        found = dict(zip(order, pool.map(lambda name: _in_a_process(name, counts[name]), order), strict=True))
    rows = [found[fault.name] for fault in FAULTS if fault.name in found]
    _write(rows, "long" if arguments.long else "ci", time.monotonic() - began)
    return int(any(row["failed"] for row in rows))


def _count(fault: Fault, is_long: bool) -> int:
    return int(
        os.environ.get(f"MUSTWATCH_FAULTS_{fault.name.upper()}") or (fault.long if is_long else fault.ci)
    )


def _in_a_process(name: str, count: int) -> dict[str, Any]:
    print(f"… {name} × {count:,}", file=sys.stderr, flush=True)
    done = subprocess.run(
        [sys.executable, str(HERE / "run.py"), "--child", name, str(count)],
        capture_output=True,
        text=True,
        check=False,
    )
    try:
        row: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    except (ValueError, IndexError):
        row = {"fault": name, "failed": True, "notes": [(done.stderr or done.stdout)[-2000:]]}
    print(
        f"{'FAILED' if row['failed'] else 'ok'} {name}, {row.get('seconds', 0):.0f} s",
        file=sys.stderr,
        flush=True,
    )
    return {"name": name, **row}


def _child(name: str, count: int) -> int:
    import pytest

    folder = Path(tempfile.mkdtemp(prefix=f"mustwatch-fault-{name}-"))
    began = time.monotonic()
    try:
        row = importlib.import_module(f"fault_{name}").run(count, folder)
    except pytest.skip.Exception as reason:
        shutil.rmtree(folder, ignore_errors=True)
        print(json.dumps({"fault": name, "failed": False, "skipped": str(reason), "notes": [str(reason)]}))
        return 0
    row.seconds = time.monotonic() - began
    print(json.dumps({**asdict(row), "failed": row.failed()}))
    if not row.failed():
        shutil.rmtree(folder, ignore_errors=True)
    return 0


def _write(rows: list[dict[str, Any]], form: str, seconds: float) -> None:
    OUT.mkdir(exist_ok=True)
    document = {"form": form, "seconds": round(seconds), "rows": rows}
    (OUT / "faults.json").write_text(
        json.dumps(document, indent=1, ensure_ascii=False) + "\n", encoding="utf-8"
    )
    print(table(rows))
    print(f"\n{seconds:.0f} s in all ({form})")


def table(rows: list[dict[str, Any]]) -> str:
    """Return the table in Markdown, and below it what else was noted."""
    lines = ["| fault | tried | lost | told twice | at stake |", "|---|---|---|---|---|"]
    for row in rows:
        if "tried" not in row:
            lines.append(f"| {row['fault']} | {'not tested here' if 'skipped' in row else 'FAILED'} | | | |")
            continue
        stake = f"{row['readings']:,} readings" if row["readings"] else ""
        stake += f", {row['messages']} messages" if row["messages"] else ""
        twice = "–" if row["told_twice"] is None else row["told_twice"]
        lines.append(f"| {row['fault']} | {row['tried']:,} | {row['lost']} | {twice} | {stake} |")
    notes = [f"- {row['fault']}: {'; '.join(row['notes'])}" for row in rows if row["notes"]]
    return "\n".join([*lines, "", *notes])


if __name__ == "__main__":
    sys.exit(main())
