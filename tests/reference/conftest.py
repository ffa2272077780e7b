"""Agreement with published values, and a summary of the largest deviation from each source.

``pytest tests/reference -k science -s`` prints the summary; ``pytest tests/reference --keep-deviations`` keeps it for the
report.
"""

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

KEPT = Path(__file__).parent / "kept" / "deviations.json"


@dataclass(slots=True)
class Deviation:
    """The largest deviation seen from one source, over how many values, and what was allowed there."""

    values: int = 0
    largest: float = 0.0
    allowed: float = 0.0


DEVIATIONS = pytest.StashKey[dict[str, Deviation]]()

Agrees = Callable[[float, float, float, str], None]


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add the switch that keeps the deviations."""
    parser.addoption("--keep-deviations", action="store_true", help=f"write {KEPT.name} for the report")


def pytest_configure(config: pytest.Config) -> None:
    """Begin a session without deviations."""
    config.stash[DEVIATIONS] = {}


@pytest.fixture
def agrees(request: pytest.FixtureRequest) -> Agrees:
    """Return ``agrees(computed, published, within, source)``: assert, and remember the deviation for the summary."""

    def check(computed: float, published: float, within: float, source: str) -> None:
        seen = request.config.stash[DEVIATIONS].setdefault(source, Deviation())
        off = abs(computed - published)
        seen.values += 1
        seen.largest = max(seen.largest, off)
        seen.allowed = max(seen.allowed, within)
        assert off <= within, (
            f"{computed} is {off:.3g} off the published {published} ({source}); allowed {within}"
        )

    return check


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    """Print the largest deviations where output is not captured, and keep them where asked."""
    if config.getoption("--keep-deviations", default=False):
        rows = [
            {
                "source": source,
                "values": seen.values,
                "largest": "below 1e-8" if seen.largest < 1e-8 else f"{seen.largest:.2g}",
                "allowed": f"{seen.allowed:.2g}",
            }
            for source, seen in config.stash[DEVIATIONS].items()
        ]
        KEPT.write_text(json.dumps(rows, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    if config.getoption("capture") != "no" or not config.stash[DEVIATIONS]:
        return
    terminalreporter.section("largest deviation from each source")
    terminalreporter.write_line("| values | largest | allowed | source |")
    terminalreporter.write_line("|---|---|---|---|")
    for source, seen in config.stash[DEVIATIONS].items():
        terminalreporter.write_line(f"| {seen.values} | {seen.largest:.2g} | {seen.allowed:.2g} | {source} |")
