"""What the README says to type is typed, as written, on the configuration that it shows."""

import re
import shlex
import subprocess
import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest

from daemons import COMMAND, Daemon

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"^```(\w*)\n(.*?)^```$", README, re.MULTILINE | re.DOTALL)
TOML = [text for language, text in BLOCKS if language == "toml"]
DAY_BY_DAY = next(text for _, text in BLOCKS if "mustwatch record start" in text)


@pytest.fixture
def cellar(daemon_with: Callable[[str], Daemon]) -> Daemon:
    """A cellar configured by the README's own blocks, and the carboy its racking needs."""
    carboy = '[[vessel]]\nname = "carboy-1"\nkind = "carboy"\nlitres = 23\n'
    return daemon_with(
        "\n".join([*TOML, carboy]).replace('url = "mailto://..."', 'url = "json://127.0.0.1:1/"')
    )


def commands(text: str) -> list[list[str]]:
    joined = text.replace("\\\n", " ")
    return [
        shlex.split(line, comments=True)[1:] for line in joined.splitlines() if line.startswith("mustwatch ")
    ]


def test_the_configuration_the_readme_shows_is_good(cellar: Daemon) -> None:
    assert tomllib.loads("\n".join(TOML))["sensor"]
    assert "fault" not in cellar.done("check", "--config-only").replace("no faults", "")


def test_the_commands_of_a_day_do_what_the_readme_says(
    cellar: Daemon, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)  # one of them writes a file where one stands
    typed = commands(DAY_BY_DAY)
    assert len(typed) >= 10

    for arguments in typed:
        # The lines are a season's: between the first and the second lies the week in which the must fermented.
        when = ["--at", "7 days ago"] if arguments[:2] == ["record", "start"] else []
        result = cellar.command(*arguments, *when)
        is_gate = arguments[:2] == ["record", "bottle"]  # a wine that is not finished is not to be bottled
        assert result.returncode == (1 if is_gate else 0), f"{arguments}: {result.stderr}"
    assert "racked" in cellar.done("book", "elder-2026")


def test_the_calibration_the_readme_shows_can_be_typed(cellar: Daemon) -> None:
    line = re.search(r"`(mustwatch calibrate .*?)`", README, re.DOTALL)
    assert line is not None

    cellar.done(*commands(line.group(1).replace("\n", " "))[0])


def test_every_command_is_in_the_readme() -> None:
    from mustwatch.cli import COMMANDS

    unsaid = [name for name in COMMANDS if f"mustwatch {name}" not in README and f"make {name}" not in README]

    assert unsaid == ["run"], "run is what the service does; everything else is for people"


def test_every_file_the_readme_links_to_is_there() -> None:
    links = [link for link in re.findall(r"\]\(([^)#:]+)", README) if not link.startswith("http")]

    assert [link for link in links if not (ROOT / link).exists()] == []


def test_the_two_commands_are_targets_of_the_makefile() -> None:
    for target in ("demo", "test"):
        done = subprocess.run(["make", "-n", target], cwd=ROOT, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr


def test_every_command_s_help_is_a_page(tmp_path: Path) -> None:
    from mustwatch.cli import COMMANDS

    for name in COMMANDS:
        done = subprocess.run([*COMMAND, name, "--help"], capture_output=True, text=True, check=False)
        assert done.returncode == 0, f"{name}: {done.stderr}"
        assert "Usage:" in done.stdout
