"""Server-sent events: pages are told that something was written, and fetch what they show anew.

One watcher asks the store's version once a second while anybody listens; it sees the daemon's commits and those of
commands typed beside it alike. Source: WHATWG HTML, section 9.2 "Server-sent events".
"""

import asyncio
import logging
from collections.abc import AsyncIterator
from typing import Annotated

from fastapi import APIRouter, Query
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import StreamingResponse

from mustwatch.web.cellarhand import Cellarhand
from mustwatch.web.guard import problem

log = logging.getLogger(__name__)

LOOK_EVERY_S = 1.0
"""How soon a page learns that a reading came."""
HEARTBEAT_S = 20.0
"""How often a comment is sent: proxies close silent connections, and a listener who is gone is noticed."""
LISTENERS_AT_MOST = 32
"""Phones and windows that listen at once; each is an open connection on a small machine."""


class Bell:
    """Wakes every listener when the store's version changes."""

    def __init__(self, hand: Cellarhand) -> None:
        """Set up; nothing is watched before somebody listens."""
        self._hand = hand
        self._changed = asyncio.Condition()
        self._watcher: asyncio.Task[None] | None = None
        self.listeners = 0
        self.version = 0

    async def _watch(self) -> None:
        while self.listeners:
            try:
                await self._look()
            except Exception:
                log.exception("the store's version could not be read")
            await asyncio.sleep(LOOK_EVERY_S)

    async def _look(self) -> None:
        """Ask for the version, and wake everybody if it is another: also for a newcomer's sake nobody is left out."""
        version = await run_in_threadpool(self._hand.version)
        if version != self.version:
            async with self._changed:
                self.version = version
                self._changed.notify_all()

    async def listen(self, request: Request, since: int | None) -> AsyncIterator[str]:
        """Yield events: ``changed`` with the version, whenever it is another than the one last known."""
        self.listeners += 1
        try:
            if self.listeners > LISTENERS_AT_MOST:  # they came at once, before any of them was counted
                yield "retry: 30000\n\n"
                return
            await self._look()
            if self._watcher is None or self._watcher.done():
                self._watcher = asyncio.create_task(self._watch())
            known = self.version if since is None else since
            yield "retry: 3000\n\n"
            while not await request.is_disconnected():
                if self.version != known:
                    known = self.version
                    yield f'event: changed\nid: {known}\ndata: {{"version": {known}}}\n\n'
                    continue
                try:
                    async with asyncio.timeout(HEARTBEAT_S), self._changed:
                        await self._changed.wait_for(lambda: self.version != known)  # noqa: B023 - awaited here
                except TimeoutError:
                    yield ": still here\n\n"
        finally:
            self.listeners -= 1


def live_routes(bell: Bell) -> APIRouter:
    """Return the route of the events."""
    router = APIRouter()

    @router.get(
        "/api/events",
        summary="Be told of changes",
        description="Server-sent events: `changed` with `version`, whenever something was written to the store.",
        response_class=StreamingResponse,
        responses={
            200: {"content": {"text/event-stream": {"schema": {"type": "string"}}}, "description": "Events."},
            503: {"description": "Too many listen already."},
        },
    )
    async def events(request: Request, since: Annotated[int | None, Query(ge=0)] = None) -> StreamingResponse:
        if bell.listeners >= LISTENERS_AT_MOST:
            return problem(503, "Too many pages listen already: close some.")  # type: ignore[return-value]
        stream = bell.listen(request, since)
        return StreamingResponse(
            stream, media_type="text/event-stream", headers={"Cache-Control": "no-store"}
        )

    return router
