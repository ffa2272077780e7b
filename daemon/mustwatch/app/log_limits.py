"""The log, limited by kind: the same line again and again neither fills the card nor hides the others."""

import logging
import time
from collections.abc import Callable

LINES_A_MINUTE = 20
"""Of one kind: as many lines of one place in the code are written in a minute. The next one says how many were not."""
MINUTE_S = 60.0
KINDS_KEPT = 500


class LimitedByKind(logging.Filter):
    """Lets a limited number of records of one place in the code through in a minute."""

    def __init__(self, mono_s: Callable[[], float] = time.monotonic) -> None:
        """Begin with nothing said."""
        super().__init__()
        self._mono_s = mono_s
        self._said: dict[tuple[str, str, int], tuple[float, int]] = {}

    def filter(self, record: logging.LogRecord) -> bool:
        """Say whether a record is written; the first of a new minute tells how many of its kind were not."""
        kind = (record.name, record.pathname, record.lineno)
        now_s = self._mono_s()
        since_s, count = self._said.get(kind, (now_s, 0))
        left_out = max(0, count - LINES_A_MINUTE)
        if now_s - since_s >= MINUTE_S:
            since_s, count = now_s, 0
            if left_out:
                record.msg = f"{record.getMessage()} (and {left_out} more of this kind in between)"
                record.args = ()
        if len(self._said) >= KINDS_KEPT:
            self._said.clear()
        self._said[kind] = (since_s, count + 1)
        return count < LINES_A_MINUTE
