"""Talking to the service manager: ready, alive, stopping. The protocol of sd_notify(3), a datagram to a socket."""

import os
import socket


class ServiceManager:
    """Tells systemd how the daemon is; says nothing where no service manager listens."""

    def __init__(self, environment: dict[str, str] | None = None) -> None:
        """Read ``NOTIFY_SOCKET`` and ``WATCHDOG_USEC``."""
        env = dict(os.environ) if environment is None else environment
        self._address = env.get("NOTIFY_SOCKET", "")
        self.watchdog_s = int(env.get("WATCHDOG_USEC", "0")) / 1_000_000
        """How often the manager wants a sign of life at the latest, seconds; 0: not at all."""

    def tell(self, state: str) -> None:
        """Send one state such as ``READY=1``; a manager that does not listen is no reason to stop."""
        if not self._address:
            return
        address = "\0" + self._address[1:] if self._address.startswith("@") else self._address
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as out:
                out.sendto(state.encode(), address)
        except OSError:
            return
