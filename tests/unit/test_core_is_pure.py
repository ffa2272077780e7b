"""The line of the design: what stands above it imports nothing from below, opens nothing, never asks the time."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import mustwatch

PACKAGE = Path(mustwatch.__file__).parent
ORDER = ["must", "cellar", "watch", "alerting"]
"""Above the line; each may import those before it, and itself."""
CORE_FILES = sorted(path for name in ORDER for path in (PACKAGE / name).rglob("*.py"))
FORBIDDEN_MODULES = {
    "asyncio", "http", "io", "logging", "multiprocessing", "os", "pathlib", "queue", "random", "secrets", "select",
    "shutil", "signal", "socket", "sqlite3", "ssl", "subprocess", "tempfile", "threading", "time", "urllib",
}  # fmt: skip
FORBIDDEN_CALLS = {
    "open",
    "print",
    "input",
    "exec",
    "eval",
    "now",
    "utcnow",
    "today",
    "perf_counter",
    "monotonic",
}


def faults_of(source: str, layer: str) -> list[str]:
    """Return what a module above the line must not do and does."""
    allowed = {f"mustwatch.{name}" for name in ORDER[: ORDER.index(layer) + 1]}
    faults: list[str] = []
    for node in ast.walk(ast.parse(source)):
        names: list[str] = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.module:
            names = [node.module]
        for name in names:
            top = name.split(".")[0]
            own = top == "mustwatch"
            if own and ".".join(name.split(".")[:2]) not in allowed:
                faults.append(f"imports {name}")
            if not own and (top in FORBIDDEN_MODULES or top not in sys.stdlib_module_names):
                faults.append(f"imports {name}")
        if isinstance(node, ast.Call):
            called = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            if called in FORBIDDEN_CALLS:
                faults.append(f"calls {called}")
    return faults


def test_there_is_a_core_to_look_at() -> None:
    assert len(CORE_FILES) > 30


@pytest.mark.parametrize("path", CORE_FILES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_no_module_above_the_line_does_what_belongs_below(path: Path) -> None:
    layer = path.relative_to(PACKAGE).parts[0]

    assert faults_of(path.read_text(encoding="utf-8"), layer) == []


@pytest.mark.parametrize(
    ("source", "fault"),
    [
        ("import sqlite3", "imports sqlite3"),
        ("from mustwatch.store.store import Store", "imports mustwatch.store.store"),
        ("from mustwatch.alerting.step import step", "imports mustwatch.alerting.step"),
        ("import numpy", "imports numpy"),
        ("from datetime import datetime\ndatetime.now()", "calls now"),
        ("open('x')", "calls open"),
    ],
)
def test_the_check_sees_each_kind_of_fault(source: str, fault: str) -> None:
    assert fault in faults_of(source, "watch")


def test_importing_the_daemon_brings_in_neither_numerics_nor_the_mirror_s_library() -> None:
    heavy = {"numpy", "scipy", "pandas", "influxdb_client"}
    code = f"import sys, mustwatch.app.service; print(sorted({heavy} & set(sys.modules)))"

    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

    assert done.stdout.strip() == "[]"
