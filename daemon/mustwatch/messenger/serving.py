"""The errands' side: how such a process begins, does what it is asked, and ends when whoever started it does."""

import logging
import os
import signal
import sys
import threading
import warnings
from collections.abc import Callable, Mapping
from contextlib import suppress
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any, NamedTuple


def kind_of(error: Exception) -> str:
    """Return the most that may be said of an error of a plugin: its text may hold an address."""
    return type(error).__name__


class Task(NamedTuple):
    """Something the daemon may ask for, and what may be said of its failure."""

    do: Callable[..., Any]
    why: Callable[[Exception], str] = kind_of


def run(requests: int, answers: int, tasks: Mapping[str, Task]) -> None:
    """Do errands until the pipe closes, and end the process."""
    serve(Connection(requests, writable=False), Connection(answers, readable=False), tasks)
    os._exit(0)  # whatever still hangs is nobody's any more


def become_server(*descriptors: int) -> None:
    """Be a process that does errands: deaf to signals to end, first to go where memory is short, without secrets."""
    # Who asks to end means the daemon, which waits for what is on its way and then closes the pipe.
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, signal.SIG_IGN)
    for descriptor in descriptors:
        os.set_inheritable(descriptor, False)
    with suppress(OSError):  # where memory is short, the daemon is the one to stay
        Path("/proc/self/oom_score_adj").write_text("500", encoding="ascii")
    _say_no_address()


def serve(requests: Connection, answers: Connection, tasks: Mapping[str, Task]) -> None:
    """Do each thing that is asked in a thread of its own, so that none waits for another, until the pipe closes."""
    answering = threading.Lock()

    def answer(id_: int, is_done: bool, value: object) -> None:
        with answering, suppress(OSError):  # nobody is there to hear it
            answers.send((id_, is_done, value))

    def work(id_: int, name: str, arguments: tuple[Any, ...]) -> None:
        task = tasks[name]
        try:
            value = task.do(*arguments)
        except Exception as error:  # noqa: BLE001 - whoever asked says it
            answer(id_, False, task.why(error))
        else:
            answer(id_, True, value)

    while True:
        try:
            id_, name, arguments = requests.recv()
        except (EOFError, OSError):
            return
        try:
            threading.Thread(target=work, args=(id_, name, arguments), name=name, daemon=True).start()
        except RuntimeError as error:  # no room for a thread
            answer(id_, False, kind_of(error))


def _say_no_address() -> None:
    """Let only our own words reach the daemon's log: plugins and what is below them say addresses, tokens and all."""
    warnings.simplefilter("ignore")
    logging.getLogger().addHandler(logging.NullHandler())
    own = logging.getLogger("mustwatch")
    own.setLevel(logging.INFO)
    said = logging.StreamHandler(sys.stderr)
    said.setFormatter(logging.Formatter("%(levelname)s %(name)s: %(message)s"))
    own.addHandler(said)
    sys.excepthook = lambda kind, *_: own.error("it failed: %s", kind.__name__)
    threading.excepthook = lambda failure: own.error(
        "a plugin's thread failed: %s", failure.exc_type.__name__
    )
