"""A small coverage-guided fuzzer: it keeps the inputs that reach a new step through the code, and changes those.

Coverage is the set of pairs of lines run one after the other, taken by Python's own tracing, in the files watched.
"""

import random
import sys
from collections.abc import Callable, Sequence
from types import FrameType
from typing import Any

Step = tuple[str, int, int]


class CoverageFuzzer:
    """Feeds a function with bytes. Seeded, hence repeatable."""

    def __init__(
        self,
        target: Callable[[bytes], object],
        watched: str,
        seeds: Sequence[bytes],
        words: Sequence[bytes],
        seed: int,
    ) -> None:
        """Begin with the seeds.

        Args:
            target: is called with each input; what it raises ends the run.
            watched: files below this path count for coverage.
            seeds: first inputs; ``words``: pieces worth inserting.
            seed: of the random generator.
        """
        self._target = target
        self._watched = watched
        self._words = words
        self._random = random.Random(seed)
        self.corpus: list[bytes] = []
        self.steps: set[Step] = set()
        for payload in seeds:
            self._try(payload)

    def run(self, examples: int) -> None:
        """Try a number of inputs."""
        for _ in range(examples):
            self._try(self._changed(self._random.choice(self.corpus)))

    def _try(self, payload: bytes) -> None:
        reached = self._reached(payload)
        if not reached <= self.steps or not self.corpus:
            self.steps |= reached
            self.corpus.append(payload)

    def _reached(self, payload: bytes) -> set[Step]:
        reached: set[Step] = set()

        def trace(frame: FrameType, event: str, _: Any) -> Any:
            file = frame.f_code.co_filename
            if not file.startswith(self._watched):
                return None
            last = frame.f_lineno

            def line(inner: FrameType, what: str, _: Any) -> Any:
                nonlocal last
                reached.add((file, last, inner.f_lineno if what != "exception" else -inner.f_lineno))
                last = inner.f_lineno
                return line

            return line

        before = sys.gettrace()
        sys.settrace(trace)
        try:
            self._target(payload)
        except BaseException as error:
            error.add_note(f"payload: {payload!r}")
            raise
        finally:
            sys.settrace(before)
        return reached

    def _changed(self, payload: bytes) -> bytes:
        draw = self._random
        changed = bytearray(payload)
        for _ in range(draw.choice((1, 1, 2, 4))):
            at = draw.randint(0, len(changed))
            end = min(len(changed), at + draw.choice((0, 1, 1, 2, 8, 32)))
            match draw.randint(0, 5):
                case 0:
                    changed[at:end] = draw.choice(self._words)
                case 1:
                    changed[at:end] = draw.randbytes(draw.choice((0, 1, 4)))
                case 2:
                    changed[at:at] = changed[at:end] * draw.choice((1, 2, 40))
                case 3:
                    other = draw.choice(self.corpus)
                    start = draw.randint(0, len(other))
                    changed[at:end] = other[start : start + draw.choice((1, 8, 64))]
                case 4 if at < len(changed):
                    changed[at] ^= 1 << draw.randint(0, 7)
                case _:
                    del changed[at:end]
        return bytes(changed[:100_000])
