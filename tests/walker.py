"""A person before a command that asks: they read what is said, and answer."""

import os
import subprocess
import threading
from collections.abc import Mapping, Sequence

from daemons import wait_until


class Walker:
    """A person at the terminal, who reads what is said before they answer."""

    def __init__(self, command: Sequence[str], environment: Mapping[str, str] | None = None) -> None:
        """Type a command."""
        self.process = subprocess.Popen(
            command,
            env=environment,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
        )
        self.said = self.passed = ""
        self.reader = threading.Thread(target=self._read, daemon=True)
        self.reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        with self.process.stdout as stdout:
            while data := os.read(stdout.fileno(), 4096):
                self.said += data.decode()

    def leaves(self) -> int:
        """Return how the command ended."""
        assert self.process.stdin is not None
        self.process.stdin.close()
        self.reader.join(30)
        return self.process.wait(30)

    def sees(self, words: str) -> None:
        """Wait for words that were not said before, and have read them."""
        wait_until(lambda: words in self.said, 30, f"{words!r} in: {self.said}")
        self.passed, self.said = self.said.split(words, 1)

    def answers(self, question: str, answer: str = "") -> None:
        """Answer a question; nothing takes what is proposed."""
        self.sees(question)
        assert self.process.stdin is not None
        self.process.stdin.write(f"{answer}\n".encode())
        self.process.stdin.flush()
