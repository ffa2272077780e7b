"""What people read: plain words, one for one thing, and none of those that made a reader stop."""

import ast
import re
from collections.abc import Iterator
from functools import cache
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
    r"\b[Ss]o many\b": "say how many",
    r"\b[Ss][Gg] points?\b": "gravity",
    r"\bfermenter\b|\bfermentor\b": "vessel",
    r"\bbatch\b": "lot",
}
"""A pattern, and the word to use instead."""
OF_MESSAGES = ("app/batch.py", "app/pipeline.py", "config/settings.py", "store/", "ingest/", "CHANGELOG.md")
"""Where a batch is one of messages."""
STILL_TO_READ = ("watch/", "alerting/")
"""Rooms whose comments and docstrings have not been gone through."""
IN_COMMENTS = (
    r"\btaken? back\b",
    r"\breckon",
    r"\bgone by\b",
    r"\bgoes round\b",
    r"\b[Ss]o many\b",
)


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


@cache
def everything_said() -> tuple[tuple[str, str], ...]:
    """Return where something is said to people, and what."""
    return tuple(_everything_said())


def _everything_said() -> Iterator[tuple[str, str]]:
    for path in sorted(PACKAGE.rglob("*.py")):
        place = str(path.relative_to(PACKAGE))
        yield from ((f"{place}:{line}", text) for line, text in said_in_python(path))
    texts = [*PACKAGE.rglob("*.html"), *(PROJECT / "config").rglob("*.toml")]
    texts += [PROJECT / "README.md", PROJECT / "CHANGELOG.md", *(PROJECT / "deploy").rglob("*.sh")]
    for path in sorted(texts):
        for line, text in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
            yield f"{path.relative_to(PROJECT)}:{line}", text


@pytest.mark.parametrize("pattern", NOT_OURS)
def test_a_word_that_is_not_ours_is_said_nowhere(pattern: str) -> None:
    exempt = OF_MESSAGES if "batch" in pattern else ()
    found = [
        f"{place}: {text.strip()[:90]}"
        for place, text in everything_said()
        if re.search(pattern, text) and not place.startswith(exempt)
    ]

    assert not found, f"say {NOT_OURS[pattern]}: {found}"


@pytest.mark.parametrize("pattern", IN_COMMENTS)
def test_nor_do_comments_and_docstrings_say_it(pattern: str) -> None:
    found = []
    for folder in (PACKAGE, PROJECT / "simulators" / "mustsim"):
        for path in sorted(folder.rglob("*.py")):
            place = str(path.relative_to(folder))
            if not place.startswith(STILL_TO_READ):
                lines = enumerate(path.read_text(encoding="utf-8").splitlines(), 1)
                found += [f"{place}:{n}: {line.strip()}" for n, line in lines if re.search(pattern, line)]

    assert not found


def test_the_search_sees_messages_logs_templates_pages_and_configuration() -> None:
    places = [place for place, _ in everything_said()]

    assert any(place.startswith("store/") for place in places)
    assert any(place.startswith("CHANGELOG.md") for place in places)
    assert any(place.startswith("deploy/install.sh") for place in places)

    assert any(place.startswith("alerting/words/stuck.py") for place in places)
    assert any(place.endswith(".html:1") for place in places)
    assert any("config/profiles/" in place for place in places)
