"""All lots: by year, searched, and two to four of them laid over each other."""

from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.responses import HTMLResponse

from mustwatch.web.cellarhand import NotPossibleError
from mustwatch.web.overlay_chart import overlay_svg
from mustwatch.web.shell import Shell

Sought = Annotated[str, Query(max_length=80, description="Words in a lot's name, must, yeast or notes.")]
FEWEST, MOST = 2, 4
"""Lots in one picture: more lines are not told apart."""
Chosen = Annotated[
    list[str], Query(alias="lot", min_length=FEWEST, max_length=MOST, description="Two to four lots.")
]
UntilDay = Annotated[float | None, Query(gt=0, le=3_650, description="Only the days before it.")]


def lots_routes(shell: Shell) -> APIRouter:
    """Return the routes of the pages of all lots; they are not part of the API's description."""
    router = APIRouter(include_in_schema=False)
    hand = shell.hand

    @router.get("/lots")
    def lots(request: Request, q: Sought = "") -> HTMLResponse:
        rows = hand.lots(q)
        years: dict[str, list[object]] = {}
        for row in rows:
            years.setdefault(shell.words.year(row["started_at"]), []).append(row)
        return shell.page(request, "lots.html", years=years, sought=q)

    @router.get("/lots/over")
    def over(
        request: Request,
        chosen: Annotated[list[str] | None, Query(alias="lot")] = None,
        days: UntilDay = None,
    ) -> HTMLResponse:
        if chosen is None or not FEWEST <= len(chosen) <= MOST:
            raise NotPossibleError("Tick two to four lots, then lay them over each other.")
        document = hand.laid_over(chosen, days)
        drawing = overlay_svg(document, shell.words)
        return shell.page(
            request, "lots_over.html", over=document, drawing=drawing, chosen=chosen, until=days
        )

    return router
