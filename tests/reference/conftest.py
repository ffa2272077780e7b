"""Agreement with published values, and a summary of the largest deviation from each source.

``pytest tests/reference -k science -s`` prints the summary.
"""

from collections.abc import Callable
from dataclasses import dataclass

import pytest


@dataclass(slots=True)
class Deviation:
    """The largest deviation seen from one source, over how many values, and what was allowed there."""

    values: int = 0
    largest: float = 0.0
    allowed: float = 0.0


DEVIATIONS = pytest.StashKey[dict[str, Deviation]]()

Agrees = Callable[[float, float, float, str], None]


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
    """Print the largest deviations, where output is not captured."""
    if config.getoption("capture") != "no" or not config.stash[DEVIATIONS]:
        return
    terminalreporter.section("largest deviation from each source")
    terminalreporter.write_line("| values | largest | allowed | source |")
    terminalreporter.write_line("|---|---|---|---|")
    for source, seen in config.stash[DEVIATIONS].items():
        terminalreporter.write_line(f"| {seen.values} | {seen.largest:.2g} | {seen.allowed:.2g} | {source} |")
