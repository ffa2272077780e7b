"""What every test may use: this directory's modules by name, and the fixtures of real brokers."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

# Their asserts say what they saw, as those of a test do.
pytest.register_assert_rewrite("browsers", "cellars", "debian_machine")

pytest_plugins = ["brokers", "daemons", "endpoints", "mirrors", "senders", "web_cellar", "wheels"]
