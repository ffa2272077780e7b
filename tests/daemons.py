"""The whole program under test: real `mustwatch` processes with a configuration and a store of their own."""

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

COMMAND = [sys.executable, "-m", "mustwatch"]
PATIENCE = 4
"""How many times longer than an idle machine needs is waited."""


def wait_until(holds: Callable[[], Any], within_s: float, what: str) -> Any:
    """Return the first true answer of a condition; fail saying what did not come to hold.

    A busy machine is given longer than an idle one needs: what holds is never late because others were at work.
    """
    within_s *= PATIENCE
    ends = time.monotonic() + within_s
    while True:
        answer = holds()
        if answer:
            return answer
        if time.monotonic() > ends:
            raise AssertionError(f"not within {within_s:.0f} s: {what}")
        time.sleep(0.05)


class Daemon:
    """`mustwatch run` and the commands beside it, on one configuration in a folder."""

    def __init__(self, folder: Path, toml: str) -> None:
        """Write the configuration; the store is `cellar.db` in the folder."""
        self.folder = folder
        self.config = folder / "mustwatch.toml"
        self.store = folder / "cellar.db"
        self.log = folder / "daemon.log"
        self.config.write_text(
            f'{toml}\n[store]\npath = "{self.store}"\ncommit_seconds = 0.2\n', encoding="utf-8"
        )
        self.process: subprocess.Popen[bytes] | None = None
        self.prefix: list[str] = []
        """Runs `mustwatch run` under another program."""
        self.environment = {**os.environ, "MUSTWATCH_CONFIG": str(self.config), "PYTHONUNBUFFERED": "1"}

    def command(self, *arguments: str, stdin: str | None = None) -> subprocess.CompletedProcess[str]:
        """Run a command to its end."""
        return subprocess.run(
            [*COMMAND, *arguments],
            env=self.environment,
            capture_output=True,
            text=True,
            input=stdin,
            check=False,
        )

    def done(self, *arguments: str) -> str:
        """Run a command that must succeed and return what it printed."""
        result = self.command(*arguments)
        assert result.returncode == 0, f"{arguments}: {result.stderr}{result.stdout}"
        return result.stdout

    def json(self, *arguments: str) -> Any:
        """Run a command with --json and return its document."""
        return json.loads(self.done(*arguments, "--json"))

    def start(self, *, listening: bool = True, until: tuple[str, ...] = ()) -> None:
        """Start `mustwatch run` and wait until it listens to the broker, or has logged one of some words."""
        seen = self.log.stat().st_size if self.log.exists() else 0
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [*self.prefix, *COMMAND, "run"], env=self.environment, stdout=log, stderr=subprocess.STDOUT
            )
        wanted = until or ("broker connected" if listening else "keeping watch",)
        wait_until(
            lambda: any(word in self.said()[seen:] for word in wanted) or self._ended(),
            30,
            f"one of {wanted} in the log: {self.said()}",
        )

    def _ended(self) -> bool:
        assert self.process is not None
        if self.process.poll() is not None:
            raise AssertionError(f"the daemon ended with {self.process.returncode}: {self.said()}")
        return False

    def said(self) -> str:
        """Return what the daemon logged."""
        return self.log.read_text(encoding="utf-8", errors="replace") if self.log.exists() else ""

    def kill(self) -> None:
        """End it as a power cut would."""
        assert self.process is not None
        self.process.send_signal(signal.SIGKILL)
        self.process.wait(10)
        self.process = None

    def stop(self) -> int:
        """Ask it to end, as the service manager does; return its exit code."""
        assert self.process is not None
        self.process.send_signal(signal.SIGTERM)
        code = self.process.wait(40 * PATIENCE)
        self.process = None
        return code


@pytest.fixture
def daemon_with(tmp_path: Path) -> Iterator[Callable[[str], Daemon]]:
    """Make daemons by their configuration; what still runs at the end is killed."""
    made: list[Daemon] = []

    def make(toml: str) -> Daemon:
        folder = tmp_path / f"daemon-{len(made)}"
        folder.mkdir()
        made.append(Daemon(folder, toml))
        return made[-1]

    yield make
    for daemon in made:
        if daemon.process is not None and daemon.process.poll() is None:
            daemon.kill()
