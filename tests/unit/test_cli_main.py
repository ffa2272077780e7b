"""The command line: one line on stderr for wrong input, exit codes as promised, commands imported only when called."""

import subprocess
import sys

import pytest


def run(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "mustwatch", *arguments], capture_output=True, text=True, check=False
    )


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("frob",), "No such command 'frob'"),
        (("record", "rack"), "Missing argument 'LOT'"),
        (("cellar", "--nope"), "No such option"),
        (("night", "2026-99-99"), "expected e.g. 2026-09-01"),
        (("calc", "correct", "--gravity", "105", "--celsius", "20"), "did you mean 1.050"),
        (("--config", "/nowhere/mustwatch.toml", "cellar"), "no such file"),
        (("cellar", "--config", "/nowhere/mustwatch.toml"), "no such file"),
    ],
)
def test_wrong_input_is_one_clear_line_on_stderr_and_exit_two(arguments: tuple[str, ...], says: str) -> None:
    result = run(*arguments)

    assert result.returncode == 2
    assert result.stdout == ""
    assert says in result.stderr
    assert "Traceback" not in result.stderr


def test_asked_for_nothing_it_shows_the_help() -> None:
    result = run()

    assert result.returncode == 0
    assert "calibrate" in result.stdout


def test_listing_the_commands_imports_none_of_them() -> None:
    code = (
        "import sys; sys.argv=['mustwatch','--help']\n"
        "from mustwatch.cli import main\n"
        "try: main()\nexcept SystemExit: pass\n"
        "print(sorted(m for m in sys.modules if m.startswith('mustwatch.cli.')))"
    )

    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout

    assert shown.rstrip().endswith("[]")
