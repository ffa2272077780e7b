"""Connections to the pages, capped: strangers who say nothing take neither descriptors nor the processor."""

import asyncio
from collections import Counter
from ipaddress import ip_address
from typing import ClassVar

from uvicorn.protocols.http.h11_impl import H11Protocol

OPEN_AT_MOST = 200
"""Connections at once, from all. Of 1,024 descriptors, the usual number, the rest is for broker, card and telling."""
OPEN_PER_ADDRESS = 40
"""From one address: a phone opens six, a browser with several windows and their listeners some thirty. Programs on this
machine, a proxy among them, are not counted one by one."""
HEAD_WITHIN_S = 10.0
"""The head of a first request must be there within this."""


class CappedProtocol(H11Protocol):
    """One connection, given up at once beyond the caps, and after a while if no request comes."""

    open_from: ClassVar[Counter[str]] = Counter()
    _head: asyncio.TimerHandle | None = None
    _address: str | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Take a connection, or give it up."""
        peer = transport.get_extra_info("peername")
        address = str(peer[0]) if peer else ""
        is_far = bool(address) and not ip_address(address.partition("%")[0]).is_loopback
        if self.open_from.total() >= OPEN_AT_MOST or (is_far and self.open_from[address] >= OPEN_PER_ADDRESS):
            transport.abort()
            return
        self._address = address
        self.open_from[address] += 1
        super().connection_made(transport)
        self._head = self.loop.call_later(HEAD_WITHIN_S, self._without_a_head)

    def _without_a_head(self) -> None:
        if self.cycle is None:
            self.transport.close()

    def data_received(self, data: bytes) -> None:
        """Take what was sent, unless the connection is given up already."""
        if self._address is not None:
            super().data_received(data)

    def eof_received(self) -> None:
        """Nothing more comes."""
        if self._address is not None:
            super().eof_received()

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget it."""
        if self._address is None:
            return
        self.open_from[self._address] -= 1
        if not self.open_from[self._address]:
            del self.open_from[self._address]
        if self._head is not None:
            self._head.cancel()
        super().connection_lost(exc)
