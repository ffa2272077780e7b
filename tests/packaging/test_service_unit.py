"""The systemd unit and the install script, as files."""

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from brokers import missing
from wheels import PROJECT

UNIT = PROJECT / "deploy/mustwatch.service"


def test_the_service_is_hardly_exposed() -> None:
    if shutil.which("systemd-analyze") is None:
        missing("systemd-analyze is not installed (apt install systemd)")
    said = subprocess.run(
        ["systemd-analyze", "security", "--offline=yes", "--no-pager", str(UNIT)],
        capture_output=True,
        text=True,
        check=False,
    ).stdout

    exposure = re.search(r"Overall exposure level for mustwatch.service: ([\d.]+)", said)
    assert exposure is not None, said
    assert float(exposure[1]) <= 1.5


def test_the_service_comes_back_and_is_bounded() -> None:
    lines = UNIT.read_text().splitlines()

    for wanted in (
        "Type=notify",
        "Restart=always",
        "WatchdogSec=60",
        "MemoryMax=256M",
        "StartLimitIntervalSec=0",
        "KillMode=mixed",
        "OOMPolicy=continue",
    ):
        assert wanted in lines


def test_no_secret_is_in_the_unit() -> None:
    assert not re.search(r"(?i)password|token", UNIT.read_text())


@pytest.mark.parametrize(
    "script", ["deploy/install.sh", "deploy/mustwatch-command.sh", "deploy/compose/prepare.sh"]
)
def test_the_scripts_are_well_formed(script: str) -> None:
    path = PROJECT / script
    shell = path.read_text().splitlines()[0].removeprefix("#!").split()[-1].split("/")[-1]

    assert subprocess.run([shell, "-n", str(path)], check=False).returncode == 0
    assert path.stat().st_mode & 0o111


def test_the_lock_has_a_hash_for_everything_and_names_no_place() -> None:
    for name in ("deploy/requirements.lock",):
        text = (PROJECT / name).read_text()
        assert "://" not in text
        assert "--find-links" not in text
        assert "--index-url" not in text
        for block in re.split(r"\n(?=\S)", text):
            if "==" in block:
                assert "--hash=sha256:" in block, block


def test_what_the_daemon_needs_is_locked() -> None:
    import tomllib

    wanted = tomllib.loads((PROJECT / "pyproject.toml").read_text())["project"]["dependencies"]
    locked = set(
        re.findall(r"^([A-Za-z0-9_.-]+)==", (PROJECT / "deploy/requirements.lock").read_text(), re.M)
    )

    for requirement in wanted:
        name = re.match(r"[A-Za-z0-9_.-]+", requirement)
        assert name is not None
        assert name[0].lower().replace("_", "-") in {n.lower().replace("_", "-") for n in locked}


def test_the_installed_configuration_is_the_examples_words(tmp_path: Path) -> None:
    """Every key that the starter configuration sets or offers is one of the documented ones."""
    example = (PROJECT / "config/mustwatch.example.toml").read_text()

    for line in (PROJECT / "deploy/mustwatch.toml").read_text().splitlines():
        key = re.match(r"#? ?(\w+) = ", line)
        if key is not None:
            assert re.search(rf"(?m)^#? ?{key[1]} = ", example), line
