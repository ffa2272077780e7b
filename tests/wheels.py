"""The project's wheel and source archive, built once per test run, and other versions of the wheel for upgrades."""

import os
import re
import shutil
import subprocess
import sys
import zipfile
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import NamedTuple

import pytest

PROJECT = Path(__file__).resolve().parent.parent
TAKEN = (
    "daemon",
    "simulators",
    "config",
    "deploy",
    "pyproject.toml",
    "README.md",
    "LICENSE",
    "CHANGELOG.md",
    "Makefile",
)


class Built(NamedTuple):
    """What `python -m build` made."""

    wheel: Path
    sdist: Path


def build(folder: Path) -> Built:
    """Build source archive and wheel from a copy of the tracked sources, not of what lies about."""
    source = folder / "source"
    listed = subprocess.run(
        ["git", "ls-files", "-z"], cwd=PROJECT, capture_output=True, check=False
    )  # an unpacked archive has no git: then everything is taken
    names = [n for n in listed.stdout.decode().split("\0") if n] if listed.returncode == 0 else []
    for name in names or [str(p.relative_to(PROJECT)) for top in TAKEN for p in _files(PROJECT / top)]:
        if (PROJECT / name).is_file():
            (source / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(PROJECT / name, source / name)
    subprocess.run(
        [sys.executable, "-m", "build", "--no-isolation", "--outdir", str(folder / "dist"), str(source)],
        check=True,
        capture_output=True,
    )
    shutil.rmtree(source)
    return Built(next((folder / "dist").glob("*.whl")), next((folder / "dist").glob("*.tar.gz")))


def _files(top: Path) -> list[Path]:
    return (
        [p for p in top.rglob("*") if p.is_file() and "__pycache__" not in p.parts] if top.is_dir() else [top]
    )


@pytest.fixture(scope="session")
def built(tmp_path_factory: pytest.TempPathFactory) -> Built:
    """Return the wheel and the source archive of the sources as they are."""
    return build(tmp_path_factory.mktemp("built"))


def other_version(
    wheel: Path, version: str, folder: Path, changes: Mapping[str, Callable[[str], str]]
) -> Path:
    """Return a wheel of another version, some of its files changed.

    Args:
        wheel: the original.
        version: of the new one; folder: where it goes.
        changes: by path in the wheel: from its text to the new text.
    """
    former = re.match(r"mustwatch-([^-]+)-", wheel.name)
    assert former is not None
    made = folder / wheel.name.replace(former[1], version)
    folder.mkdir(parents=True, exist_ok=True)
    with zipfile.ZipFile(wheel) as source, zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as target:
        assert changes.keys() <= set(source.namelist())
        for name in source.namelist():
            data = source.read(name)
            if name in changes:
                data = changes[name](data.decode()).encode()
            if ".dist-info/" in name or name == "mustwatch/__init__.py":
                data = data.decode().replace(former[1], version).encode()
            target.writestr(
                name.replace(f"mustwatch-{former[1]}.dist-info", f"mustwatch-{version}.dist-info"), data
            )
    return made


def clean_environment(**more: str) -> dict[str, str]:
    """Return an environment for programs installed elsewhere: only the machine's own settings."""
    keep = {
        k: v
        for k, v in os.environ.items()
        if k.startswith("PIP_") or k in ("LANG", "SSL_CERT_FILE", "HTTPS_PROXY")
    }
    return {**keep, "PATH": "/usr/sbin:/usr/bin:/sbin:/bin", **more}
