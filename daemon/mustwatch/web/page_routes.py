"""The pages' addresses: looking, and what their forms ask for."""

from datetime import date
from typing import Annotated

from fastapi import APIRouter, Form, Query, Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from mustwatch.web.access import Tried
from mustwatch.web.cellarhand import NIGHT_EARLIEST, NIGHT_LATEST
from mustwatch.web.guard import check_form, client_of, problem, session_cookie, wait
from mustwatch.web.shell import Shell

QUARANTINE_SHOWN = 50
Night = Annotated[date | None, Query(alias="date", ge=NIGHT_EARLIEST, le=NIGHT_LATEST)]
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

    @router.get("/")
    def cellar(request: Request) -> HTMLResponse:
        document = hand.cellar()
        return shell.page(request, "cellar.html", cellar=document, alerts_open=len(document["alerts"]))

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
            alerts_open=len(held),
        )

    @router.post("/alerts/{alert_id}/acknowledge")
    def acknowledge(request: Request, alert_id: str, form_token: Annotated[str, Form()] = "") -> Response:
        check_form(shell.gate, request, form_token)
        hand.acknowledge(alert_id)
        return RedirectResponse(f"/alerts#{alert_id}", status_code=303)

    @router.get("/sensors")
    def sensors(request: Request) -> HTMLResponse:
        quarantine = hand.quarantine(QUARANTINE_SHOWN)
        return shell.page(request, "sensors.html", sensors=hand.sensors(), quarantine=quarantine)

    return router


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
        left = RedirectResponse("/enter", status_code=303)
        left.headers.append("Set-Cookie", session_cookie("", secure=False, life_s=0))
        return left

    return router


def own_path(then: str) -> str:
    """Return where to go after signing in: a path of ours, else the cellar; never another site."""
    is_ours = then.startswith("/") and not then.startswith(("//", "/\\")) and then.isprintable()
    return then if is_ours and "\\" not in then else "/"
