"""``python -m mustwatch.messenger``: the process itself. It does what the daemon asks and ends when the daemon does.

Nothing of the daemon is imported here: what takes long is imported while the daemon still reads the picture's data.
"""

import gc
import sys
from contextlib import suppress
from typing import Any

from mustwatch.deliver.apprise_deliverer import AppriseDeliverer
from mustwatch.deliver.deliverer import TellAddress
from mustwatch.messenger.serving import Task, become_server, run

GARBAGE_AFTER = 50_000
"""Objects before garbage is looked for. With the usual 700 the imports take a tenth longer, and an urgent message waits
for them; a process that stays for minutes does not gather much."""


def main(requests: int, answers: int) -> None:
    """Serve the daemon until its pipe closes."""
    become_server(requests, answers)
    gc.set_threshold(GARBAGE_AFTER)
    deliverer = AppriseDeliverer()
    tasks = {
        "prepare": Task(lambda address: _prepare(deliverer, address)),
        "deliver": Task(deliverer.deliver),
        "draw": Task(_draw, why=repr),
    }
    run(requests, answers, tasks)


def _prepare(deliverer: AppriseDeliverer, address: TellAddress) -> None:
    from mustwatch.views import chart_png

    with suppress(ImportError):  # a message goes without its picture then
        chart_png.prepare()
    deliverer.prepare([address])


def _draw(chart: Any) -> bytes:
    from mustwatch.views.chart_png import chart_png

    return chart_png(chart)


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]))
