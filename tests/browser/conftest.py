"""The fixtures of the browser tests (see tests/browsers.py), and the mark that they need a browser."""

import os
from pathlib import Path

import pytest

from browsers import axe, cellar, chromium, complaints, own_cellar, past, visit

__all__ = ["axe", "cellar", "chromium", "complaints", "own_cellar", "past", "visit"]


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark what needs a browser."""
    here = os.fspath(Path(__file__).parent)
    for item in items:
        if os.fspath(item.path).startswith(here):
            item.add_marker(pytest.mark.browser)
