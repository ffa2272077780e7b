"""The pages' server: uvicorn in a thread of the daemon. It may fail without the watch failing with it."""

import logging
import threading

import uvicorn
from fastapi import FastAPI

from mustwatch.app.capped import CappedProtocol

log = logging.getLogger(__name__)

START_WITHIN_S = 15.0
"""A Pi imports slowly; a port that is not open by then will not open."""


class WebServer:
    """Serves an application on one address until stopped."""

    def __init__(self, app: FastAPI, bind: str, port: int) -> None:
        """Set up; nothing listens before ``start``."""
        config = uvicorn.Config(
            app,
            host=bind,
            port=port,
            log_level="warning",
            access_log=False,
            server_header=False,
            date_header=True,
            timeout_graceful_shutdown=2,
            ws="none",
            http=CappedProtocol,
            lifespan="on",
        )
        self._server = uvicorn.Server(config)
        self._where = f"{bind}:{port}"
        self._thread = threading.Thread(target=self._run, name="web", daemon=True)

    def _run(self) -> None:
        try:
            self._server.run()
        except SystemExit:  # uvicorn's way of saying that the port is taken; it has logged why
            log.error("the pages cannot be served: is another program on their port? address=%s", self._where)

    def start(self) -> bool:
        """Open the port; return whether it is open. A taken port leaves the daemon without pages, not dead."""
        self._thread.start()
        waited = threading.Event()
        for _ in range(int(START_WITHIN_S / 0.05)):
            if self._server.started or not self._thread.is_alive():
                break
            waited.wait(0.05)
        return bool(self._server.started)

    @property
    def port(self) -> int | None:
        """Return the port that is open (of use when 0 was asked for), or None."""
        for server in self._server.servers if self._server.started else ():
            for socket in server.sockets:
                return int(socket.getsockname()[1])
        return None

    def stop(self) -> None:
        """Close the port; open answers are given two seconds."""
        self._server.should_exit = True
        if self._thread.is_alive():
            self._thread.join(5)
