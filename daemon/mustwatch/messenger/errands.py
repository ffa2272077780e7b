"""Errands done by a process of its own: who asks, waits for the answer; who hangs, leaks or crashes, is ended with it.

The process is started when something is asked and ended when nothing was asked of it for a while. That nothing is
under way is decided under the lock under which an errand is entered: none is sent into a pipe that closes.
"""

import logging
import threading
import time
from typing import Any

from mustwatch.messenger.errand_process import END_WITHIN_S, Errand, ErrandProcess

log = logging.getLogger(__name__)


class ErrandError(RuntimeError):
    """The process did not do it; says why, without any secret.

    Attributes:
        was_begun: it may have done part of it.
    """

    def __init__(self, why: str, *, was_begun: bool) -> None:
        """Say why."""
        super().__init__(why)
        self.was_begun = was_begun


class Errands:
    """Has a process do things. Safe to call from any thread; one errand that hangs holds up no other.

    Args:
        module: what the process runs.
        who: what it is called in errors and the log.
        idle_s: how long it stays when nothing is asked of it.
    """

    def __init__(self, module: str, who: str, idle_s: float) -> None:
        """Make one; nothing is started yet."""
        self._module = module
        self._who = who
        self._idle_s = idle_s
        self._lock = threading.Lock()
        self._process: ErrandProcess | None = None
        self._listeners: set[threading.Thread] = set()
        self._is_closed = False

    @property
    def pid(self) -> int | None:
        """Return the number of the process, or None while there is none."""
        with self._lock:
            return None if self._process is None else self._process.pid

    def begin(self, task: str, *arguments: Any) -> None:
        """Have a process ready, with a first errand nobody waits for, unless there is one. Never raises."""
        try:
            with self._lock:
                if self._process is not None or self._is_closed:
                    return
                process, id_, _ = self._entered()
            process.send(id_, task, arguments)  # the first in its pipe: there is room
        except (OSError, ErrandError) as error:  # whoever asks for more will say so
            log.debug("%s was not begun: %s", self._who, error)

    def close(self) -> None:
        """End the process, whatever it does, and be left without any: every later call fails."""
        with self._lock:
            self._is_closed = True
            process, self._process = self._process, None
            is_busy = process is not None and bool(process.under_way)
            listeners = list(self._listeners)
        if process is not None:
            process.kill() if is_busy else process.hang_up()
        for listener in listeners:
            listener.join(END_WITHIN_S)
            if listener.is_alive() and process is not None:
                process.kill()
                listener.join(END_WITHIN_S)

    # --- asking ------------------------------------------------------------------------------------------------

    def ask(self, limit_s: float, task: str, *arguments: Any) -> Any:
        """Return the answer to one errand.

        Raises:
            ErrandError: there is none, or it is that the errand failed.
        """
        process, errand = self._sent(task, arguments)
        if not errand.is_over.wait(limit_s):
            log.warning("%s is ended: it did not answer within %.0f s", self._who, limit_s)
            self._leave(process)
            process.kill()
            raise ErrandError(f"no answer within {limit_s:.0f} s", was_begun=True)
        if errand.answer is None:
            raise ErrandError(f"{self._who} ended before it answered", was_begun=True)
        is_done, value = errand.answer
        if not is_done:
            raise ErrandError(f"{self._who} failed ({value})", was_begun=True)
        return value

    def _sent(self, task: str, arguments: tuple[Any, ...]) -> tuple[ErrandProcess, Errand]:
        """Send an errand. A process that has just ended knows nothing of it: then another one is asked, once."""
        for is_last in (False, True):
            with self._lock:
                process, id_, errand = self._entered()
            try:
                process.send(id_, task, arguments)
            except OSError as error:
                self._leave(process)
                if is_last:
                    raise ErrandError(
                        f"{self._who} ends as soon as it is started ({error.strerror})", was_begun=False
                    ) from None
            else:
                return process, errand
        raise AssertionError("the loop has returned or raised")

    def _entered(self) -> tuple[ErrandProcess, int, Errand]:
        """Enter an errand, with a process that is there or started now. Call it under the lock."""
        if self._is_closed:
            raise ErrandError("the daemon is ending", was_begun=False)
        process = self._process
        if process is None:
            try:
                process = self._started()
            except (OSError, RuntimeError) as error:
                raise ErrandError(
                    f"{self._who} could not be started ({type(error).__name__})", was_begun=False
                ) from None
        id_, errand = process.begin()
        return process, id_, errand

    def _started(self) -> ErrandProcess:
        """Start a process, and a thread that listens to it. Call it under the lock.

        Raises:
            OSError: there is no room for a process.
            RuntimeError: nor for a thread.
        """
        process = ErrandProcess(self._module)
        listener = threading.Thread(target=self._listen, args=(process,), name="errands", daemon=True)
        try:
            listener.start()
        except RuntimeError:
            process.bury()
            raise
        log.debug("%s started pid=%d", self._who, process.pid)
        self._listeners.add(listener)
        self._process = process
        return process

    def _leave(self, process: ErrandProcess) -> None:
        """Ask this process nothing any more."""
        with self._lock:
            if self._process is process:
                self._process = None

    # --- listening ---------------------------------------------------------------------------------------------

    def _listen(self, process: ErrandProcess) -> None:
        """Hand its answers to those who wait, until it ends or has been idle; then see to its end."""
        was_let_go = False
        try:
            while not was_let_go:
                if process.answers.poll(self._patience_s(process)):
                    self._hand_over(process, process.answers.recv())
                else:
                    was_let_go = self._let_go(process)
        except (EOFError, OSError):
            pass  # it has ended
        except Exception:
            log.exception("%s answers what cannot be understood", self._who)
            process.kill()
        finally:
            self._ended(process, was_let_go)

    def _patience_s(self, process: ErrandProcess) -> float | None:
        """Return how long to wait for an answer: while any is due whoever asked looks at the clock."""
        with self._lock:
            if process.under_way:
                return None
            return max(0.0, process.idle_since_mono + self._idle_s - time.monotonic())

    def _hand_over(self, process: ErrandProcess, answer: tuple[int, bool, Any]) -> None:
        id_, is_done, value = answer
        with self._lock:
            errand = process.under_way.pop(id_)
            process.idle_since_mono = time.monotonic()
        errand.answer = (is_done, value)
        errand.is_over.set()

    def _let_go(self, process: ErrandProcess) -> bool:
        """Say whether it may end; from then on it is asked nothing any more."""
        with self._lock:
            is_idle = time.monotonic() - process.idle_since_mono >= self._idle_s
            if process.under_way or not is_idle:
                return False
            if self._process is process:
                self._process = None
            return True

    def _ended(self, process: ErrandProcess, was_let_go: bool) -> None:
        with self._lock:
            if self._process is process:
                self._process = None
            left, process.under_way = process.under_way, {}
            was_wanted = not was_let_go and not self._is_closed
        for errand in left.values():
            errand.is_over.set()
        if not was_let_go:
            process.kill()  # of a process that lives but no longer answers nothing is to be hoped
        process.bury()
        if was_wanted:
            log.warning("%s has ended: code=%s under_way=%d", self._who, process.exit_code, len(left))
        else:
            log.debug("%s ended pid=%d", self._who, process.pid)
        with self._lock:
            self._listeners.discard(threading.current_thread())
