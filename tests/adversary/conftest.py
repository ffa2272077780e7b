"""What every attack uses, and the table of them all at the end."""

import json
import sys
from collections.abc import Callable, Iterator
from dataclasses import asdict
from pathlib import Path

import pytest

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE))

from attack_table import Row, table  # noqa: E402 - found by the line before

from cellars import lived_store, readings  # noqa: E402
from daemons import Daemon  # noqa: E402
from endpoints import HttpEndpoint  # noqa: E402

OUT = HERE / "out" / "adversary.json"
ROWS: list[Row] = []


@pytest.fixture
def row(request: pytest.FixtureRequest) -> Callable[[str], Row]:
    """Begin a row of the table; one of a test that does not come to its end counts as failed."""

    def begin(attack: str) -> Row:
        ROWS.append(Row(attack, request.node.nodeid))
        return ROWS[-1]

    return begin


@pytest.fixture(scope="session")
def lived(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a store with something in each of its tables."""
    return lived_store(tmp_path_factory.mktemp("lived") / "c.db", readings(9.0))


@pytest.fixture
def endpoint() -> Iterator[HttpEndpoint]:
    """Return somebody to tell."""
    made = HttpEndpoint()
    made.listen()
    yield made
    made.refuse()


@pytest.fixture
def bucket(daemon_with: Callable[[str], Daemon]) -> Callable[..., Daemon]:
    """Make daemons over a cellar of one bucket with one float on ``cellar/float``.

    The parts of the configuration may be given: the broker, the pages (none else), how the float speaks, and somebody
    to tell by URL.
    """

    def make(
        mqtt: str,
        *,
        web: str = "enabled = false",
        float_: str = 'decoder = "senml"',
        tell: str = "",
        more: str = "",
    ) -> Daemon:
        told = f'[[tell]]\nname = "phone"\nurl = "{tell}"\nquiet_hours = ""\n' if tell else ""
        return daemon_with(
            f'[mqtt]\n{mqtt}\n[web]\n{web}\n{told}[[vessel]]\nname = "bucket"\nkind = "bucket"\nlitres = 30\n{more}\n'
            f'[[sensor]]\nid = "float"\nkind = "float"\nvessel = "bucket"\ntopic = "cellar/float"\n{float_}\n'
        )

    return make


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    """Note which attacks failed."""
    if report.failed:
        for made in ROWS:
            if made.test == report.nodeid:
                made.has_failed = True


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Print the table, and keep it for the faults' report."""
    if ROWS:
        OUT.parent.mkdir(exist_ok=True)
        OUT.write_text(json.dumps([asdict(made) for made in ROWS], indent=1, ensure_ascii=False) + "\n")
        terminalreporter.section("the adversary's table")
        terminalreporter.write_line(table(ROWS))
