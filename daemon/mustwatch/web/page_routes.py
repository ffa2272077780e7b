"""The pages' addresses: looking, and what their forms ask for."""

import json
from contextlib import suppress
from datetime import date
from typing import Annotated, Literal

from fastapi import APIRouter, Form, Query, Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from mustwatch.web.access import Tried
from mustwatch.web.cellarhand import NIGHT_EARLIEST, NIGHT_LATEST, NotPossibleError
from mustwatch.web.guard import check_form, client_of, problem, session_cookie, wait
from mustwatch.web.shell import Shell

QUARANTINE_SHOWN = 50
Night = Annotated[date | None, Query(alias="date", ge=NIGHT_EARLIEST, le=NIGHT_LATEST)]
Filled = Annotated[str, Form(max_length=500)]
ICON_SIZES = (192, 512)
PAPER = "#f6f1e4"
"""The ground of the pages by day, as in the style sheet."""
PICTURES_OF_PAST = 20
"""Past alerts beyond these are shown without their picture: each is a small query."""


def page_routes(shell: Shell) -> APIRouter:
    """Return the routes of the pages; they are not part of the API's description."""
    router = APIRouter(include_in_schema=False)
    hand = shell.hand

    @router.get("/static/{digest}/{name}")
    def static(digest: str, name: str, request: Request) -> Response:
        accepts = "gzip" in request.headers.get("accept-encoding", "")
        return shell.statics.response(digest, name, accepts_gzip=accepts) or problem(404, "No such file.")

    @router.get("/manifest.webmanifest")
    def manifest() -> Response:
        icons = [
            {"src": shell.statics.url(f"icon-{size}.png"), "sizes": f"{size}x{size}", "purpose": purpose}
            for size in ICON_SIZES
            for purpose in ("any", "maskable")
        ]
        name = hand.manners.cellar
        on_the_home_screen = {
            "name": name,
            "short_name": name[:12],
            "start_url": "/",
            "display": "standalone",
        }
        colours = {"background_color": PAPER, "theme_color": PAPER}
        text = json.dumps({**on_the_home_screen, **colours, "icons": icons})
        return Response(text, media_type="application/manifest+json")

    @router.get("/sw.js")
    def service_worker() -> Response:
        return Response(shell.statics.text("sw.js"), media_type="text/javascript; charset=utf-8")

    @router.get("/")
    def cellar(request: Request) -> HTMLResponse:
        return shell.page(request, "cellar.html", cellar=hand.cellar_page(), arriving=hand.arriving())

    @router.get("/night")
    def night(request: Request, day: Night = None) -> HTMLResponse:
        return shell.page(request, "night.html", night=hand.night(day))

    @router.get("/alerts")
    def alerts(request: Request) -> HTMLResponse:
        held, past = hand.alerts(past=False), hand.alerts(past=True)
        pictures = hand.alert_pictures([a["id"] for a in (*held, *past[:PICTURES_OF_PAST])])
        return shell.page(
            request,
            "alerts.html",
            alerts=held,
            past=past,
            pictures=pictures,
            undelivered=hand.undelivered(),
        )

    @router.post("/alerts/{alert_id}/acknowledge")
    def acknowledge(request: Request, alert_id: str, form_token: Annotated[str, Form()] = "") -> Response:
        check_form(shell.gate, request, form_token)
        hand.acknowledge(alert_id)
        return RedirectResponse(f"/alerts#{alert_id}", status_code=303)

    @router.post("/alerts/answer")
    def answer(
        request: Request,
        ids: Annotated[list[str], Form()],
        do: Annotated[Literal["acknowledge", "later", "recall"], Form()],
        then: Annotated[str, Form()] = "/alerts",
        form_token: Annotated[str, Form()] = "",
    ) -> Response:
        """Acknowledge alerts, put them off until tomorrow, or undo either; then go on where one stood."""
        check_form(shell.gate, request, form_token)
        for alert_id in ids:
            _answer(shell, alert_id, do)
        return RedirectResponse(own_path(then), status_code=303)

    @router.get("/told/{token}")
    def told(request: Request, token: str) -> HTMLResponse:
        return shell.page(request, "told.html", token=token, done=None, **hand.told(token))

    @router.post("/told/{token}")
    def answer_told(
        request: Request, token: str, do: Annotated[Literal["acknowledge", "later"], Form()]
    ) -> HTMLResponse:
        message = hand.told(token)
        for alert_id in message["ids"]:
            _answer(shell, alert_id, do)
        done = do if message["ids"] else None
        return shell.page(request, "told.html", token=token, done=done, title=message["title"], ids=[])

    @router.get("/sensors")
    def sensors(request: Request) -> HTMLResponse:
        quarantine = hand.quarantine(QUARANTINE_SHOWN)
        return shell.page(request, "sensors.html", sensors=hand.sensors(), quarantine=quarantine)

    @router.post("/sensors/set-aside")
    def set_aside(
        request: Request, sensor: Filled, at: Filled, why: Filled = "", form_token: Filled = ""
    ) -> Response:
        check_form(shell.gate, request, form_token)
        hand.set_aside(sensor, at, why)
        return RedirectResponse("/sensors", status_code=303)

    @router.post("/sensors/put-back")
    def put_back(request: Request, sensor: Filled, at: Filled, form_token: Filled = "") -> Response:
        check_form(shell.gate, request, form_token)
        hand.put_back(sensor, at)
        return RedirectResponse("/sensors", status_code=303)

    return router


def _answer(shell: Shell, alert_id: str, do: str) -> None:
    """Acknowledge, put off or recall an alert; one that is over meanwhile needs no answer any more."""
    with suppress(NotPossibleError):
        if do == "recall":
            shell.hand.recall(alert_id)
        else:
            shell.hand.acknowledge(alert_id, until_tomorrow=do == "later")


def entrance_routes(shell: Shell) -> APIRouter:
    """Return the routes of signing in and out."""
    router = APIRouter(include_in_schema=False)
    gate = shell.gate

    @router.get("/enter")
    def ask(request: Request, then: str = "/") -> Response:
        if request.state.is_admitted:
            return RedirectResponse(own_path(then), status_code=303)
        return shell.page(request, "enter.html", then=own_path(then), said=None)

    @router.post("/enter")
    async def enter(
        request: Request, token: Annotated[str, Form()] = "", then: Annotated[str, Form()] = "/"
    ) -> Response:
        tried = gate.try_token(token, client_of(request))
        if tried is Tried.WAIT:
            seconds = gate.wait_s(client_of(request))
            said = f"Too many wrong tokens. Wait {max(1, round(seconds / 60))} minutes, then try again."
            answer = shell.page(request, "enter.html", 429, then=own_path(then), said=said)
            answer.headers["Retry-After"] = wait(seconds).headers["Retry-After"]
            return answer
        if tried is Tried.WRONG:
            said = "That is not the token."
            return shell.page(request, "enter.html", 403, then=own_path(then), said=said)
        admitted = RedirectResponse(own_path(then), status_code=303)
        secure = request.url.scheme == "https"
        admitted.headers.append("Set-Cookie", session_cookie(gate.new_session(), secure=secure))
        return admitted

    @router.post("/leave")
    def leave(request: Request, form_token: Annotated[str, Form()] = "") -> Response:
        check_form(gate, request, form_token)
        shell.hand.keep_sessions_left(gate.leave(request.state.session))
        left = RedirectResponse("/enter", status_code=303)
        left.headers.append("Set-Cookie", session_cookie("", secure=False, life_s=0))
        return left

    return router


def own_path(then: str) -> str:
    """Return where to go after signing in: a path of ours, else the cellar; never another site."""
    is_ours = then.startswith("/") and not then.startswith(("//", "/\\")) and then.isprintable()
    return then if is_ours and "\\" not in then else "/"
