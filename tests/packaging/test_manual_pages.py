"""The manual pages and the completions, as the installer has them written."""

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from brokers import missing
from mustwatch.cli import COMMANDS
from wheels import PROJECT


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("manual")
    made = [
        sys.executable,
        str(PROJECT / "deploy/manual.py"),
        str(folder / "man1"),
        str(folder / "completion"),
        str(folder / "_mustwatch"),
    ]
    subprocess.run(made, check=True)
    return folder


def test_every_command_has_a_page_that_man_reads_without_a_complaint(written: Path) -> None:
    if shutil.which("groff") is None:
        missing("groff is not installed (apt install groff)")
    pages = sorted((written / "man1").iterdir())

    assert [p.name for p in pages] == sorted(["mustwatch.1", *(f"mustwatch-{name}.1" for name in COMMANDS)])
    for page in pages:
        read = subprocess.run(
            ["groff", "-man", "-Tutf8", "-ww", str(page)], capture_output=True, text=True, check=True
        )
        assert read.stderr == "", page.name
    assert r"\-\-vessel" in (written / "man1/mustwatch-record.1").read_text()


TYPED = [
    ("ex", "export"),
    ("record st", "start"),
    ("record start --vess", "--vessel"),
    ("backup --o", "--out"),
]


@pytest.mark.parametrize(("typed", "offered"), TYPED)
def test_what_is_begun_is_completed_without_asking_anything(written: Path, typed: str, offered: str) -> None:
    words = typed.split()
    script = (
        f"source {written}/completion; COMP_WORDS=(mustwatch {typed}); COMP_CWORD={len(words)}; _mustwatch; "
        'printf "%s\\n" "${COMPREPLY[@]}"'
    )

    said = subprocess.run(
        ["/bin/bash", "-c", script], capture_output=True, text=True, check=True, env={"PATH": ""}
    )

    assert offered in said.stdout.split()


@pytest.mark.parametrize(("typed", "offered"), TYPED)
def test_zsh_is_offered_the_same(written: Path, typed: str, offered: str) -> None:
    zsh = shutil.which("zsh")
    if zsh is None:
        missing("zsh is not installed (apt install zsh)")
    script = (  # what zsh's completion system gives, in so far as the file asks it
        '_describe() { print -l -- "${(@)told%%:*}" }; compadd() { shift; print -l -- "$@" }; _files() { : }; '
        f"words=(mustwatch {typed}); CURRENT={len(typed.split()) + 1}; source {written}/_mustwatch"
    )

    said = subprocess.run(
        [str(zsh), "-fc", script], capture_output=True, text=True, check=True, env={"PATH": ""}
    )

    assert said.stderr == ""
    assert offered in said.stdout.split()
