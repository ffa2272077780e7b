"""What mosquitto's log says of a float that does not come through: a wrong password, or a topic it may not write to.

A refused message is logged only where everything is. The broker reads anew which on SIGHUP, so everything is logged for
as long as a float is waited for, and no longer.
"""

import os
import re
import subprocess
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

NAME = "mustwatch-welcome.conf"
"""Beside the broker's own settings while everything is logged."""


@contextmanager
def logging_everything(folder: Path, reload: Sequence[str]) -> Iterator[None]:
    """Have a broker log everything for a block.

    Args:
        folder: of its settings; nothing is done where it is not there, or not ours to write.
        reload: the command that has it read them anew.
    """
    if not os.access(folder, os.W_OK):
        yield
        return
    file = folder / NAME
    file.write_text("# While `mustwatch welcome` waits for a float; it removes this file.\nlog_type all\n")
    try:
        subprocess.run(reload, capture_output=True, check=False)
        yield
    finally:
        file.unlink(missing_ok=True)
        subprocess.run(reload, capture_output=True, check=False)


class BrokerLog:
    """A broker's log from now on."""

    def __init__(self, path: Path) -> None:
        """Begin at its end."""
        self._path = path
        self._at = path.stat().st_size if os.access(path, os.R_OK) else 0
        self._users: dict[str, str] = {}

    def remarks(self, user: str) -> list[str]:
        """Return what has come since of a user, or of somebody who was not let in, in words for a person."""
        if not os.access(self._path, os.R_OK):
            return []
        with self._path.open(encoding="utf-8", errors="replace") as log:
            log.seek(self._at)
            new = log.read()
            self._at = log.tell()
        return [remark for line in new.splitlines() if (remark := self._remark(line, user)) is not None]

    def _remark(self, line: str, user: str) -> str | None:
        if re.search(r"disconnected, not authorised", line):
            return "a device was refused: its user or its password is wrong"
        come = re.search(r"New client connected from (\S+) as (.+?) \(.* u'(.*)'\)", line)
        if come is not None:
            self._users[come[2]] = come[3]
            return f"{user} has come in, from {come[1].rsplit(':', 1)[0]}" if come[3] == user else None
        denied = re.search(r"Denied PUBLISH from (.+?) \(.*, '(.*)', \.\.\.", line)
        if denied is not None and self._users.get(denied[1], user) == user:
            return f"{user} writes to {denied[2]}, which it may not: set its topic to cellar/{user}"
        return None
