"""A cable between a client and a broker that a test can cut, with everything on its way lost, and mend."""

import contextlib
import socket
import threading
from types import TracebackType
from typing import Self


class Cable:
    """Forwards connections on a port of its own to another. Use as a context manager."""

    def __init__(self, to_port: int) -> None:
        """Lay it; it forwards at once."""
        self._to_port = to_port
        self._is_whole = True
        self._ends: set[socket.socket] = set()
        self._lock = threading.Lock()
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        threading.Thread(target=self._accept, daemon=True).start()

    def __enter__(self) -> Self:
        """Return it."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Take it away."""
        self.cut()
        self._listener.close()

    def cut(self) -> None:
        """End every connection at once, both ways, and refuse new ones."""
        with self._lock:
            self._is_whole = False
            for end in self._ends:
                _end(end)
            self._ends.clear()

    def mend(self) -> None:
        """Let connections through again."""
        self._is_whole = True

    def _accept(self) -> None:
        while True:
            try:
                near, _ = self._listener.accept()
            except OSError:
                return
            try:
                if not self._is_whole:
                    raise OSError("cut")
                far = socket.create_connection(("127.0.0.1", self._to_port), 2.0)
            except OSError:
                near.close()
                continue
            far.settimeout(None)
            with self._lock:
                self._ends |= {near, far}
            for source, sink in ((near, far), (far, near)):
                threading.Thread(target=self._forward, args=(source, sink), daemon=True).start()

    def _forward(self, source: socket.socket, sink: socket.socket) -> None:
        try:
            while piece := source.recv(65_536):
                sink.sendall(piece)
        except OSError:
            pass
        finally:
            _end(source)
            _end(sink)


def _end(end: socket.socket) -> None:
    with contextlib.suppress(OSError):  # it may have ended by itself
        end.shutdown(socket.SHUT_RDWR)  # wakes the thread that reads it, which closing alone does not
    end.close()
