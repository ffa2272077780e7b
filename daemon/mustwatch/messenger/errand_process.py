"""One process for errands as the daemon sees it: two pipes, what is under way, and its end."""

import os
import subprocess
import sys
import threading
import time
from dataclasses import dataclass, field
from multiprocessing import Pipe
from typing import Any

END_WITHIN_S = 5.0
"""A process whose pipe was closed ends at once; one that has not by then is killed."""

NOT_ITS_OWN = ("MUSTWATCH_", "NOTIFY_SOCKET", "WATCHDOG_")
"""Beginnings of the names in the environment that are no business of the process's: the daemon's passwords, and its
line to the service manager."""


@dataclass(slots=True)
class Errand:
    """Something asked of the process. ``answer`` is (is done, value) once ``is_over`` is set, or None for none."""

    answer: tuple[bool, Any] | None = None
    is_over: threading.Event = field(default_factory=threading.Event)


class ErrandProcess:
    """A process for errands. Its owner guards ``under_way`` and ``idle_since_mono`` with a lock of its own."""

    def __init__(self, module: str) -> None:
        """Start it, running a module.

        Raises:
            OSError: there is no room for another process.
        """
        requests, self._requests = Pipe(duplex=False)
        self.answers, answers = Pipe(duplex=False)
        try:
            self._process = subprocess.Popen(
                _command(module, requests.fileno(), answers.fileno()),
                env=_environment(),
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,  # a plugin that prints could print an address
                pass_fds=(requests.fileno(), answers.fileno()),
                start_new_session=True,  # what is typed at the daemon's terminal is for the daemon
            )
        except BaseException:
            self._requests.close()
            self.answers.close()
            raise
        finally:
            requests.close()
            answers.close()
        self._sending = threading.Lock()
        self._last_id = 0
        self.under_way: dict[int, Errand] = {}
        self.idle_since_mono = time.monotonic()

    @property
    def pid(self) -> int:
        """Return the system's number of the process."""
        return self._process.pid

    @property
    def exit_code(self) -> int | None:
        """Return how it ended (a signal is negative); None before it was waited for."""
        return self._process.returncode

    def begin(self) -> tuple[int, Errand]:
        """Enter an errand among those under way, before it is sent."""
        self._last_id += 1
        errand = self.under_way[self._last_id] = Errand()
        return self._last_id, errand

    def send(self, id_: int, task: str, arguments: tuple[Any, ...]) -> None:
        """Send an errand that was entered.

        Raises:
            OSError: it was not sent whole, so that the process, which has ended, knows nothing of it.
        """
        with self._sending:
            self._requests.send((id_, task, arguments))

    def hang_up(self) -> None:
        """Close its pipe, at which it ends by itself. Nothing may be under way."""
        with self._sending:
            self._requests.close()

    def kill(self) -> None:
        """End it at once, whatever it does."""
        self._process.kill()

    def bury(self) -> None:
        """Wait for its end and close what is open, so that nothing of it is left; only who listens to it may."""
        self.hang_up()
        if not self.answers.poll(END_WITHIN_S):  # at its end, its side of the pipe closes
            self._process.kill()
        self.answers.close()
        self._process.wait()


def _command(module: str, requests: int, answers: int) -> list[str]:
    """Return the command line. Nothing that is to be told is in it: everybody on the machine can read it."""
    way = "-I" if sys.flags.isolated else "-P"
    return [sys.executable, way, "-m", module, str(requests), str(answers)]


def _environment() -> dict[str, str]:
    return {name: value for name, value in os.environ.items() if not name.upper().startswith(NOT_ITS_OWN)}
