"""The pages' addresses."""

from datetime import date
from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.responses import HTMLResponse, Response

from mustwatch.web.guard import problem
from mustwatch.web.shell import Shell


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
    def night(request: Request, day: Annotated[date | None, Query(alias="date")] = None) -> HTMLResponse:
        return shell.page(request, "night.html", night=hand.night(day))

    return router
