"""The application: pages for people, a JSON API for programs, one guard before both."""

import logging
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

import anyio.to_thread
from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.middleware.gzip import GZipMiddleware
from starlette.responses import PlainTextResponse, Response

from mustwatch import __version__
from mustwatch.web.access import AccessRules, Gate
from mustwatch.web.api import api_routes, api_writing_routes
from mustwatch.web.cellarhand import Cellarhand, NotKnownError, NotPossibleError
from mustwatch.web.due_routes import due_api_routes, due_routes
from mustwatch.web.guard import Guard, is_for_machines, problem
from mustwatch.web.live import Bell, live_routes
from mustwatch.web.lot_routes import lot_routes
from mustwatch.web.lots_routes import lots_routes
from mustwatch.web.machine_routes import machine_routes
from mustwatch.web.page_routes import entrance_routes, page_routes
from mustwatch.web.shell import Shell
from mustwatch.web.statics import Statics
from mustwatch.web.stock_routes import stock_routes

log = logging.getLogger(__name__)

WORKERS = 2
"""Requests answered at once: a Pi has four cores, and each answer holds its page in memory."""
COMPRESS_FROM_BYTES = 1_000


def create_app(
    hand: Cellarhand,
    rules: AccessRules,
    *,
    mono_s: Callable[[], float] = time.monotonic,
    now_s: Callable[[], float] = time.time,
) -> FastAPI:
    """Return the application.

    Args:
        hand: answers what the pages ask.
        rules: who may look.
        mono_s, now_s: the clocks of the limit on attempts and of sessions.
    """
    gate = Gate(rules, mono_s=mono_s, now_s=now_s, left=hand.sessions_left())
    statics = Statics()
    shell = Shell(hand, gate, statics)
    app = FastAPI(
        title="mustwatch",
        version=__version__,
        summary="What a cellar's vessels are doing, in the words of the commands' --json.",
        openapi_url="/api/openapi.json",
        docs_url=None,  # the usual pages fetch their scripts from elsewhere; the shed has no internet
        redoc_url=None,
        lifespan=_lifespan,
    )
    for routes in (
        page_routes(shell),
        lots_routes(shell),
        lot_routes(shell),
        due_routes(shell),
        stock_routes(shell),
        due_api_routes(shell),
        entrance_routes(shell),
        machine_routes(hand),
        api_routes(shell),
        api_writing_routes(shell),
        live_routes(Bell(hand)),
    ):
        app.include_router(routes)
    app.add_exception_handler(HTTPException, _on_http_exception(shell))
    app.add_exception_handler(NotKnownError, _on_not_known(shell))
    app.add_exception_handler(NotPossibleError, _on_not_possible(shell))
    app.add_exception_handler(RequestValidationError, _on_bad_request(shell))
    app.add_middleware(GZipMiddleware, minimum_size=COMPRESS_FROM_BYTES, compresslevel=6)
    app.add_middleware(Guard, gate=gate, on_fault=_on_fault(shell))
    return app


@asynccontextmanager
async def _lifespan(app: FastAPI) -> AsyncIterator[None]:
    anyio.to_thread.current_default_thread_limiter().total_tokens = WORKERS
    yield


Handler = Callable[[Request, Exception], Response]


def _say(shell: Shell, request: Request, status: int, detail: str) -> Response:
    """Return a problem as JSON to programs, as a page to people; never with internals."""
    if is_for_machines(request.url.path):
        return problem(status, detail)
    try:
        return shell.page(request, "problem.html", status, detail=detail, is_missing=status == 404)
    except Exception:
        log.exception("the page that tells of a problem failed")
        return PlainTextResponse(detail, status)


def _on_http_exception(shell: Shell) -> Handler:
    def handle(request: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException)  # noqa: S101 - registered for it
        words = {404: "There is no such page.", 405: "That can't be done with this page."}
        answer = _say(shell, request, error.status_code, words.get(error.status_code, str(error.detail)))
        for name, value in (error.headers or {}).items():
            answer.headers[name] = value
        return answer

    return handle


def _on_not_known(shell: Shell) -> Handler:
    return lambda request, error: _say(shell, request, 404, str(error))


def _on_not_possible(shell: Shell) -> Handler:
    return lambda request, error: _say(shell, request, 409, str(error))


def _on_bad_request(shell: Shell) -> Handler:
    def handle(request: Request, error: Exception) -> Response:
        assert isinstance(error, RequestValidationError)  # noqa: S101 - registered for it
        return _say(shell, request, 422, "; ".join(_fault(e) for e in error.errors()[:5]))

    return handle


def _fault(error: dict[str, object]) -> str:
    loc = error["loc"]
    where = ".".join(str(part) for part in loc) if isinstance(loc, tuple | list) else str(loc)
    return f"{where}: {str(error['msg']).removeprefix('Value error, ')}"


def _on_fault(shell: Shell) -> Handler:
    def handle(request: Request, error: Exception) -> Response:
        log.error("a page failed path=%s", request.url.path, exc_info=error)
        detail = "Something went wrong here; the daemon's log says what. Readings are not affected."
        return _say(shell, request, 500, detail)

    return handle
