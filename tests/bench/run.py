"""`make bench`: speed and lightness, each beside its limit in one run. Prints one table; keeps it as JSON.

    python tests/bench/run.py [--quick] [NAME ...]      NAME: drain, store, notify, replay, growth, light

Everything is measured with compiled bytecode, as an installed wheel has it. On a machine that does other work meanwhile
the ratios hold better than the values: limit and path are measured in turns.
"""

import argparse
import importlib
import json
import os
import platform
import sys
import tempfile
import time
import traceback
from dataclasses import asdict
from pathlib import Path

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), str(HERE.parent)]

from bench_row import Row  # noqa: E402 - found through the line above

BENCHES = ("drain", "store", "notify", "replay", "growth", "light")


def with_bytecode() -> None:
    """Have every process started from here on keep and use compiled bytecode, wherever the sources may be written."""
    if "MUSTWATCH_BENCH_BYTECODE" not in os.environ:
        folder = tempfile.mkdtemp(prefix="mustwatch-bench-bytecode-")
        environment = {**os.environ, "MUSTWATCH_BENCH_BYTECODE": "1", "PYTHONPYCACHEPREFIX": folder}
        environment.pop("PYTHONDONTWRITEBYTECODE", None)
        os.execve(sys.executable, [sys.executable, *sys.argv], environment)  # noqa: S606 - itself, anew


def machine() -> dict[str, object]:
    """Return what this was measured on."""
    model = next(
        (
            x.split(":")[1].strip()
            for x in Path("/proc/cpuinfo").read_text().splitlines()
            if x.startswith("model name")
        ),
        "?",
    )
    return {
        "processor": model,
        "cores": os.cpu_count(),
        "load_before": os.getloadavg()[0],
        "python": platform.python_version(),
        "system": platform.platform(),
        "at": time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime()),
    }


def shown(value: float | None) -> str:
    """Return a value in four figures."""
    if value is None:
        return ""
    return f"{value:,.0f}" if abs(value) >= 1000 else f"{value:.4g}"


def table(rows: list[Row]) -> str:
    """Return the rows as a table in Markdown."""
    lines = [
        "| path | limit beside it | measured | limit | unit | figure | aim | |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for row in rows:
        mark = "" if row.is_met is None else "reached" if row.is_met else "NOT reached"
        cells = (
            row.path,
            row.limit,
            shown(row.measured),
            shown(row.compared),
            row.unit,
            shown(row.reached),
            row.aim,
            mark,
        )
        lines.append(f"| {' | '.join(cells)} |")
    return "\n".join(lines)


def main() -> None:
    """Measure, print and keep."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("names", nargs="*", choices=[*BENCHES, []], metavar="NAME", help=", ".join(BENCHES))
    parser.add_argument("--quick", action="store_true", help="a tenth of everything: to see that it runs")
    arguments = parser.parse_args()
    with_bytecode()
    about, rows, failed = machine(), [], []
    for name in arguments.names or BENCHES:
        print(f"{name} ...", file=sys.stderr, flush=True)
        bench = importlib.import_module(f"bench_{name}")
        with tempfile.TemporaryDirectory(prefix=f"mustwatch-bench-{name}-") as folder:
            try:
                rows.extend(bench.rows(Path(folder), quick=arguments.quick))
            except Exception:  # the others are still worth having
                traceback.print_exc()
                failed.append(name)
    print(table(rows))
    out = HERE / "out"
    out.mkdir(exist_ok=True)
    file = out / f"bench-{time.strftime('%Y%m%dT%H%M%SZ', time.gmtime())}.json"
    document = {"machine": about, "quick": arguments.quick, "rows": [asdict(row) for row in rows]}
    file.write_text(json.dumps(document, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")
    print(f"kept as {file.relative_to(HERE.parent.parent)}", file=sys.stderr)
    if failed:
        sys.exit(f"could not be measured: {', '.join(failed)}")


if __name__ == "__main__":
    main()
