"""What people read: plain words, one for one thing, and none of those that made a reader stop."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

PROJECT = Path(__file__).parents[2]
PACKAGE = PROJECT / "daemon" / "mustwatch"
NOT_OURS = {
    r"\btaken? back\b": "undone, or a false alarm",
    r"\breckon": "work out, or expect",
    r"\bgone by\b": "past",
    r"\bgoes round\b": "ok",
    r"\bMind:": "Caution:",
    r"\bI know\b": "Acknowledge",
    r"\bso many\b": "say how many",
    r"\b[Ss][Gg] points?\b": "gravity",
    r"\bfermenter\b|\bfermentor\b": "vessel",
    r"\bbatch\b": "lot",
}
"""A pattern, and the word to use instead."""
NOT_READ_BY_PEOPLE = ("app/batch.py", "app/pipeline.py", "config/settings.py", "store/", "ingest/")
"""Where a batch is one of messages."""


def said_in_python(path: Path) -> Iterator[tuple[int, str]]:
    """Yield the line and text of each string that is not a docstring."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    documents = {
        id(node.value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in documents:
            yield node.lineno, node.value


def everything_said() -> Iterator[tuple[str, str]]:
    """Yield where something is said to people, and what."""
    for path in sorted(PACKAGE.rglob("*.py")):
        place = str(path.relative_to(PACKAGE))
        if not place.startswith(NOT_READ_BY_PEOPLE):
            yield from ((f"{place}:{line}", text) for line, text in said_in_python(path))
    texts = [*PACKAGE.rglob("*.html"), *(PROJECT / "config").rglob("*.toml"), PROJECT / "README.md"]
    for path in sorted(texts):
        for line, text in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
            yield f"{path.relative_to(PROJECT)}:{line}", text


@pytest.mark.parametrize("pattern", NOT_OURS)
def test_a_word_that_is_not_ours_is_said_nowhere(pattern: str) -> None:
    found = [f"{place}: {text.strip()[:90]}" for place, text in everything_said() if re.search(pattern, text)]

    assert not found, f"say {NOT_OURS[pattern]}: {found}"


def test_the_search_sees_messages_templates_and_configuration() -> None:
    places = [place for place, _ in everything_said()]

    assert any(place.startswith("alerting/words/stuck.py") for place in places)
    assert any(place.endswith(".html:1") for place in places)
    assert any("config/profiles/" in place for place in places)
