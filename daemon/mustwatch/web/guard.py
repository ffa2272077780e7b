"""Stands before every request: known host, token, own origin, bounded body. Puts security headers on answers."""

from collections.abc import Callable, MutableMapping
from typing import Any
from urllib.parse import quote

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from mustwatch.web.access import COOKIE, SESSION_LIFE_S, Gate, Tried

BODY_LIMIT_BYTES = 64 * 1024
"""No form or entry is longer; a book's note has room for ten pages."""
OPEN_PATHS = ("/static/", "/enter", "/health", "/told/", "/calendar/", "/manifest.webmanifest", "/sw.js")
"""Open to everybody: style and scripts, the sign-in page, whether the daemon is well (without details), and to who has
its address, which is a token of its own: the calendar, and the one thing that a message's link is for."""
MACHINE_PATHS = ("/api/", "/metrics", "/health")
"""Answered in JSON or plain text; a missing token is said, not asked for by a page."""
SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})

POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self' data:",
        "connect-src 'self'",
        "manifest-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    )
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
}
COME_AGAIN = """<!doctype html><html lang="en"><meta charset="utf-8"><title>mustwatch</title>
<meta http-equiv="refresh" content="0"><p><a href="">Open the page</a></p>"""


class TooLongError(Exception):
    """A request's body is longer than anything the pages ask for."""


def is_for_machines(path: str) -> bool:
    """Say whether a path is the API's rather than a page."""
    return path.startswith(MACHINE_PATHS)


def own_cookies(headers: Headers) -> list[str]:
    """Return the values of our cookie in a request, whatever other programs of the same name have put beside it."""
    pairs = (part.partition("=") for part in headers.get("cookie", "").split(";"))
    return [value.strip().strip('"') for name, _, value in pairs if name.strip() == COOKIE]


def client_of(request: Request) -> str:
    """Return the address a request came from."""
    return request.client.host if request.client is not None else "?"


def check_form(gate: Gate, request: Request, form_token: str) -> None:
    """Make sure that a form was sent from a page of ours.

    Raises:
        HTTPException: it was not, or the page is from before a restart.
    """
    session = getattr(request.state, "session", None)
    if not gate.is_form_token(form_token, session):
        raise HTTPException(403, "This form is too old: go back, load the page anew, and send it again.")


def session_cookie(value: str, *, secure: bool, life_s: int = SESSION_LIFE_S) -> str:
    """Return the Set-Cookie header of a session."""
    return (
        f"{COOKIE}={value}; Max-Age={life_s}; Path=/; HttpOnly; SameSite=Strict{'; Secure' if secure else ''}"
    )


class Guard:
    """The middleware. It wraps the whole application."""

    def __init__(self, app: ASGIApp, gate: Gate, on_fault: Callable[[Request, Exception], Response]) -> None:
        """Guard an application by a gate; ``on_fault`` answers where the application failed."""
        self._app = app
        self._gate = gate
        self._on_fault = on_fault

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or answer it here."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        cookies = self._cookies(headers)
        new_session = self._open_session(scope, cookies)

        has_begun = False

        async def send_guarded(message: Message) -> None:
            nonlocal has_begun
            if message["type"] == "http.response.start":
                has_begun = True
                out = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    out.setdefault(name, value)
                out.setdefault("Cache-Control", "no-cache, private")
                if new_session is not None and out.get("content-type", "").startswith("text/html"):
                    out.append("Set-Cookie", session_cookie(new_session, secure=scope["scheme"] == "https"))
            await send(message)

        refusal = self._refusal(scope, headers, cookies)
        if refusal is not None:
            await refusal(scope, receive, send_guarded)
            return
        try:
            await self._app(scope, _bounded(receive), send_guarded)
        except TooLongError:
            await problem(413, "That is longer than anything this page takes.")(scope, receive, send_guarded)
        except Exception as error:
            if has_begun:
                raise
            answer = await run_in_threadpool(self._on_fault, Request(scope), error)
            await answer(scope, receive, send_guarded)

    def _cookies(self, headers: Headers) -> dict[str, str]:
        """Return the session of a request: of several cookies under our name, the one that is ours."""
        values = own_cookies(headers)
        own = next((value for value in values if self._gate.is_session(value)), next(iter(values), None))
        return {} if own is None else {COOKIE: own}

    def _open_session(self, scope: Scope, cookies: dict[str, str]) -> str | None:
        """Give the request its session; return a new one if, with nobody to be asked, it has none yet."""
        state: MutableMapping[str, Any] = scope.setdefault("state", {})
        held = cookies.get(COOKIE)
        if held is not None and self._gate.is_session(held):
            state["session"] = held
            return None
        state["session"] = new = None if self._gate.asks else self._gate.new_session()
        return new

    def _refusal(self, scope: Scope, headers: Headers, cookies: dict[str, str]) -> Response | None:
        path, method, host = scope["path"], scope["method"], headers.get("host")
        if not self._gate.is_known_host(host):
            return problem(
                421, "This address is not known here: open the pages by localhost or web.base_url."
            )
        if method not in SAFE_METHODS and not self._gate.is_own_origin(headers.get("origin"), host):
            return problem(403, "This came from another site's page and was not done.")
        client = scope["client"][0] if scope.get("client") else "?"
        admitted = self._gate.admits(headers.get("authorization"), cookies, client)
        scope["state"]["is_admitted"] = admitted is Tried.ADMITTED
        if admitted is Tried.ADMITTED or path.startswith(OPEN_PATHS):
            return None
        if admitted is Tried.WAIT:
            return wait(self._gate.wait_s(client))
        if is_for_machines(path):
            answer = problem(401, "A token is asked for: send it as Authorization: Bearer TOKEN.")
            answer.headers["WWW-Authenticate"] = "Bearer"
            return answer
        # A link from elsewhere (a message, a mail) arrives without the strict cookie: come again from here.
        if method == "GET" and headers.get("sec-fetch-site") == "cross-site" and not cookies:
            return HTMLResponse(COME_AGAIN)
        then = scope.get("raw_path", path.encode()).decode("latin-1")
        then += f"?{scope['query_string'].decode('latin-1')}" if scope["query_string"] else ""
        return RedirectResponse(f"/enter?then={quote(then, safe='')}", status_code=303)


def problem(status: int, detail: str) -> JSONResponse:
    """Return a problem as the API says it: one line of what was wrong and what to do."""
    return JSONResponse({"detail": detail}, status_code=status)


def wait(seconds: float) -> JSONResponse:
    """Return the answer to one attempt too many."""
    answer = problem(429, f"Too many wrong tokens: wait {seconds / 60:.0f} minutes, then try again.")
    answer.headers["Retry-After"] = str(max(1, round(seconds)))
    return answer


def _bounded(receive: Receive) -> Receive:
    seen = 0

    async def receive_bounded() -> Message:
        nonlocal seen
        message = await receive()
        seen += len(message.get("body", b""))
        if seen > BODY_LIMIT_BYTES:
            raise TooLongError
        return message

    return receive_bounded
