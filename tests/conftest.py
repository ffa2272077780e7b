"""What every test may use: this directory's modules by name, and the fixtures of real brokers."""

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

TESTS = Path(__file__).parent
sys.path.insert(0, str(TESTS))

# Their asserts say what they saw, as those of a test do.
pytest.register_assert_rewrite("browsers", "cellars", "debian_machine")

pytest_plugins = ["brokers", "daemons", "endpoints", "mirrors", "senders", "web_cellar", "wheels"]


@pytest.fixture(autouse=True)
def _stores_of_tests_are_closed(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Close every store that a test opened itself; what the product leaves open fails the test it is found in."""
    from mustwatch.store.store import Store

    opened: list[Store] = []
    open_it = Store.__init__

    def opening(self: Store, path: Path, now_ms: int) -> None:
        open_it(self, path, now_ms)
        if Path(sys._getframe(1).f_code.co_filename).is_relative_to(TESTS):
            opened.append(self)

    monkeypatch.setattr(Store, "__init__", opening)
    yield
    for store in opened:
        store.close()
