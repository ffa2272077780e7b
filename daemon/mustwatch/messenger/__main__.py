"""``python -m mustwatch.messenger``: the process itself. It does what the daemon asks and ends when the daemon does.

Nothing of the daemon is imported here: what takes long is imported while the daemon still reads the picture's data.
"""

import gc
import logging
import os
import signal
import sys
import threading
import warnings
from collections.abc import Callable
from contextlib import suppress
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any, NamedTuple

from mustwatch.deliver.apprise_deliverer import AppriseDeliverer
from mustwatch.deliver.deliverer import TellAddress

GARBAGE_AFTER = 50_000
"""Objects before garbage is looked for. With the usual 700 the imports take a tenth longer, and an urgent message waits
for them; a process that stays for minutes does not gather much."""


def kind_of(error: Exception) -> str:
    """Return the most that may be said of an error of a plugin: its text may hold an address."""
    return type(error).__name__


class Task(NamedTuple):
    """Something the daemon may ask for, and what may be said of its failure."""

    do: Callable[..., Any]
    why: Callable[[Exception], str] = kind_of


def main(requests: int, answers: int) -> None:
    """Serve the daemon until its pipe closes."""
    # Who asks to end means the daemon, which waits for what is on its way and then closes the pipe.
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, signal.SIG_IGN)
    for descriptor in (requests, answers):
        os.set_inheritable(descriptor, False)
    with suppress(OSError):  # where memory is short, the daemon is the one to stay
        Path("/proc/self/oom_score_adj").write_text("500", encoding="ascii")
    _say_no_address()
    gc.set_threshold(GARBAGE_AFTER)
    deliverer = AppriseDeliverer()
    tasks = {
        "prepare": Task(lambda address: _prepare(deliverer, address)),
        "deliver": Task(deliverer.deliver),
        "draw": Task(_draw, why=repr),
    }
    serve(Connection(requests, writable=False), Connection(answers, readable=False), tasks)
    os._exit(0)  # whatever still hangs is nobody's any more


def serve(requests: Connection, answers: Connection, tasks: dict[str, Task]) -> None:
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


def _prepare(deliverer: AppriseDeliverer, address: TellAddress) -> None:
    from mustwatch.views import chart_png

    with suppress(ImportError):  # a message goes without its picture then
        chart_png.prepare()
    deliverer.prepare([address])


def _draw(chart: Any) -> bytes:
    from mustwatch.views.chart_png import chart_png

    return chart_png(chart)


def _say_no_address() -> None:
    """Let only our own words reach the daemon's log: plugins and what is below them say addresses, tokens and all."""
    warnings.simplefilter("ignore")
    logging.getLogger().addHandler(logging.NullHandler())
    own = logging.getLogger("mustwatch")
    own.setLevel(logging.INFO)
    said = logging.StreamHandler(sys.stderr)
    said.setFormatter(logging.Formatter("%(levelname)s %(name)s: %(message)s"))
    own.addHandler(said)
    sys.excepthook = lambda kind, *_: own.error("the messenger failed: %s", kind.__name__)
    threading.excepthook = lambda failure: own.error(
        "a plugin's thread failed: %s", failure.exc_type.__name__
    )


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]))
