"""The daemon's side of the mirror's server: the same methods as ``InfluxServer``, done in a process of their own."""

from typing import Any

from mustwatch.messenger.errands import ErrandError, Errands
from mustwatch.store.mirror_influx import ANSWER_LIMIT_S, CONNECT_LIMIT_S, Bucket, Whose
from mustwatch.store.mirror_marker import Standing
from mustwatch.store.mirror_verdict import ServerError, Verdict

IDLE_S = 10.0
"""How long the process stays when nothing is asked: a catch-up asks again at once, an ordinary look much later."""
LIMIT_S = 4.0 * (CONNECT_LIMIT_S + ANSWER_LIMIT_S)
"""An answer later than this does not come: an errand makes three requests at most, beside the start of the process."""


class MirrorServer:
    """A bucket, reached through a process that is there only while something is asked of it."""

    def __init__(self, bucket: Bucket, *, idle_s: float = IDLE_S, limit_s: float = LIMIT_S) -> None:
        """Name the bucket; nothing is started yet."""
        self._bucket = bucket
        self._limit_s = limit_s
        self._errands = Errands("mustwatch.messenger.mirror_sender", "the mirror's sender", idle_s)

    @property
    def shown(self) -> str:
        """Return where it is, as may be shown."""
        return self._bucket.shown

    @property
    def pid(self) -> int | None:
        """Return the number of the process, or None while there is none."""
        return self._errands.pid

    def write(self, body: bytes) -> None:
        """Write lines once, or raise ``ServerError``."""
        self._ask("write", body)

    def standing(self, whose: Whose) -> Standing:
        """Return what the bucket keeps and the markers in it, or raise ``ServerError``."""
        standing = self._ask("standing", whose)
        assert isinstance(standing, Standing)  # noqa: S101 - our own process answers
        return standing

    def count_readings(self, whose: Whose, from_ms: int, until_ms: int) -> int:
        """Return how many readings stand there, or raise ``ServerError``."""
        return int(self._ask("count_readings", whose, from_ms, until_ms))

    def _ask(self, method: str, *arguments: Any) -> Any:
        try:
            answer = self._errands.ask(self._limit_s, "ask", self._bucket, method, arguments)
        except ErrandError as error:
            raise ServerError(Verdict.PASSING, f"cannot be asked: {error}") from None
        if isinstance(answer, ServerError):
            raise answer
        return answer

    def close(self) -> None:
        """End the process, whatever it does."""
        self._errands.close()
