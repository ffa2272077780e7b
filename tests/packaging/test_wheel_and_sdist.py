"""The wheel and the source archive, installed where no sources are."""

import json
import re
import shutil
import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path

import pytest

from brokers import missing
from mustwatch.cli import COMMANDS
from wheels import PROJECT, Built, clean_environment

pytestmark = pytest.mark.machine


def run(*command: str | Path, check: bool = True, **environment: str) -> subprocess.CompletedProcess[str]:
    """Run a program in a clean environment, away from the sources."""
    done = subprocess.run(
        [str(part) for part in command],
        cwd="/",
        env=clean_environment(**environment),
        capture_output=True,
        text=True,
        check=False,
    )
    assert not check or done.returncode == 0, f"{command}: {done.stdout[-2000:]}{done.stderr[-2000:]}"
    return done


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory, built: Built) -> Path:
    """Install the wheel as deploy/ does, by the lock file with hashes, and return the environment's bin."""
    folder = tmp_path_factory.mktemp("installed") / "venv"
    run(sys.executable, "-m", "venv", folder)
    pip = folder / "bin/pip"
    run(pip, "install", "-q", "--require-hashes", "-r", PROJECT / "deploy/requirements.lock")
    run(pip, "install", "-q", "--no-deps", built.wheel)
    return folder / "bin"


def test_the_wheel_carries_profiles_demo_and_example_and_no_tests(built: Built) -> None:
    names = zipfile.ZipFile(built.wheel).namelist()

    for wanted in (
        "profiles/red.toml",
        "profiles/default.toml",
        "demo/cellar-scenario.toml",
        "mustwatch.example.toml",
    ):
        assert f"mustwatch/shipped/{wanted}" in names
    assert "mustwatch/py.typed" in names
    assert "mustwatch/web/templates/cellar.html" in names
    assert any(name.startswith("mustsim/scenarios/") for name in names)
    assert not [name for name in names if "test" in name.split("/")[0]]


def test_the_source_archive_carries_what_installs_it(built: Built) -> None:
    with tarfile.open(built.sdist) as archive:
        names = {name.split("/", 1)[1] for name in archive.getnames() if "/" in name}

    for wanted in (
        "deploy/install.sh",
        "deploy/requirements.lock",
        "config/mustwatch.example.toml",
        "tests/run-all",
        "requirements.lock",
        ".dockerignore",
        "README.md",
    ):
        assert wanted in names
    assert not [name for name in names if name.endswith((".env", ".pyc")) or ".venv" in name]


def test_every_file_that_readme_and_makefile_name_is_in_the_source_archive(
    built: Built, tmp_path: Path
) -> None:
    with tarfile.open(built.sdist) as archive:
        archive.extractall(tmp_path, filter="data")
    (source,) = tmp_path.iterdir()
    readme, makefile = (source / "README.md").read_text(), (source / "Makefile").read_text()
    named = re.findall(r"\]\(([^)#:]+)\)", readme) + re.findall(
        r"\b((?:deploy|tests|config)/[\w./-]+)", makefile + readme
    )

    assert [name for name in named if not (source / name.rstrip(".")).exists() and "/out" not in name] == []
    for target in ("demo", "test"):
        made = run("make", "-n", "-C", str(source), target)
        assert "No rule" not in made.stderr


def test_what_builds_the_wheel_and_what_is_extra_is_locked_too() -> None:
    for name in ("build", "demo", "parquet"):
        text = (PROJECT / f"deploy/{name}.lock").read_text()
        blocks = [block for block in re.split(r"\n(?=\S)", text) if "==" in block]
        assert blocks
        assert all("--hash=sha256:" in block for block in blocks)


def test_nothing_is_missing_from_what_is_locked(installed: Path) -> None:
    assert "No broken requirements" in run(installed / "pip", "check").stdout


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_explains_itself(installed: Path, command: str) -> None:
    said = run(installed / "mustwatch", command, "--help").stdout

    assert f"mustwatch {command}" in said


def test_the_shipped_files_are_found_and_the_example_has_no_fault(installed: Path, tmp_path: Path) -> None:
    asks = "from mustwatch.config.shipped import shipped; print(shipped('mustwatch.example.toml'))"
    example = Path(run(installed / "python", "-I", "-c", asks).stdout.strip())

    assert installed.parent in example.parents
    checked = run(installed / "mustwatch", "check", "--config-only", "--json", MUSTWATCH_CONFIG=str(example))
    assert json.loads(checked.stdout)["faults"] == []


def test_it_runs_without_the_simulators_numbers(installed: Path) -> None:
    asks = "import mustwatch.app.service, mustwatch.cli.run, sys; print({'numpy', 'scipy'} & {*sys.modules})"

    assert run(installed / "python", "-I", "-c", asks).stdout.strip() == "set()"
    assert "mustwatch[demo]" in run(installed / "mustwatch", "demo", check=False).stderr


def test_the_demo_lives_its_weeks_from_the_wheel_with_its_extra(
    installed: Path, built: Built, tmp_path: Path
) -> None:
    folder = tmp_path / "demo"
    shutil.copytree(installed.parent, folder, symlinks=True)
    run(folder / "bin/python", "-m", "pip", "install", "-q", f"{built.wheel}[demo]")

    said = run(
        folder / "bin/python", "-m", "mustwatch", "demo", "--exit", "--seconds", "5", HOME=str(tmp_path)
    ).stdout

    assert "The cellar now:" in said


def test_pipx_gives_it_an_environment_of_its_own(built: Built, tmp_path: Path) -> None:
    run(sys.executable, "-m", "venv", tmp_path / "tools")
    fetched = run(tmp_path / "tools/bin/pip", "install", "-q", "pipx", check=False)
    if fetched.returncode != 0:
        missing(f"pipx cannot be had: {fetched.stderr[-300:]}")

    run(
        *(tmp_path / "tools/bin/pipx", "install", "--python", sys.executable, built.wheel),
        PIPX_HOME=str(tmp_path / "pipx"),
        PIPX_BIN_DIR=str(tmp_path / "bin"),
        HOME=str(tmp_path),
    )

    assert run(tmp_path / "bin/mustwatch", "--version").stdout.startswith("mustwatch ")


def test_the_source_archive_installs_with_pip(built: Built, tmp_path: Path) -> None:
    run(sys.executable, "-m", "venv", tmp_path / "venv")
    run(tmp_path / "venv/bin/pip", "install", "-q", "--no-deps", built.sdist)

    files = run(tmp_path / "venv/bin/pip", "show", "-f", "mustwatch").stdout
    assert "mustwatch/shipped/profiles/red.toml" in files
    assert "mustsim/scenarios/kit.toml" in files
