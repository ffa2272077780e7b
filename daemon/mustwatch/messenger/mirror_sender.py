"""``python -m mustwatch.messenger.mirror_sender``: the process that speaks with the mirror's server.

The client library weighs half of what the daemon does. It is here only while there is something to send.
"""

import sys
from typing import Any

from mustwatch.messenger.serving import Task, become_server, run
from mustwatch.store.mirror_influx import Bucket, InfluxServer
from mustwatch.store.mirror_verdict import ServerError

DOES = ("write", "standing", "count_readings")
"""What may be asked: these methods of ``InfluxServer``."""


def main(requests: int, answers: int) -> None:
    """Serve the daemon until its pipe closes."""
    become_server(requests, answers)
    servers: dict[Bucket, InfluxServer] = {}

    def asked(bucket: Bucket, method: str, arguments: tuple[Any, ...]) -> Any:
        if method not in DOES:
            raise ValueError(method)
        server = servers.setdefault(bucket, InfluxServer(bucket))
        try:
            return getattr(server, method)(*arguments)
        except ServerError as error:
            return error

    run(requests, answers, {"ask": Task(asked, why=repr)})


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]))
