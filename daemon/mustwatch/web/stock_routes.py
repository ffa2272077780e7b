"""The stock of bottles: its page with the forms that take bottles from it, and the same for programs."""

from typing import Annotated, Literal

from fastapi import APIRouter, Body, Depends, Path, Query, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response

from mustwatch.web import api_entry_models as models
from mustwatch.web.api import EVERYWHERE, MISSING, SENT, WRONG, LotName, Responses, written_json
from mustwatch.web.cellarhand import NotPossibleError
from mustwatch.web.guard import check_form, problem
from mustwatch.web.lot_routes import ENTRY_KEY, policy_for
from mustwatch.web.shell import Shell

RowId = Annotated[str, Path(max_length=64)]


class Labels:
    """What an address asks for of labels."""

    def __init__(
        self,
        of: Annotated[Literal["bottle", "vessel"], Query()] = "bottle",
        sheet: Annotated[str, Query(max_length=64)] = "3x7",
        count: Annotated[str, Query(pattern=r"^[0-9]{0,4}$", description="A full sheet if left out.")] = "",
        skip: Annotated[int, Query(ge=0, le=500, description="Labels that are used already.")] = 0,
        text: Annotated[str, Query(max_length=200, description="A line of one's own.")] = "",
    ) -> None:
        """Read the address."""
        number = int(count) if count else None
        self.fields = {"of": of, "sheet": sheet, "count": number, "skip": skip, "text": text}


def stock_routes(shell: Shell) -> APIRouter:
    """Return the routes of the stock's page and API."""
    router = APIRouter()
    hand = shell.hand

    @router.get("/stock", include_in_schema=False)
    def page(request: Request, done: str = "") -> HTMLResponse:
        return _page(shell, request, ["It is written."] if done else [])

    @router.get("/lot/{lot}/labels", include_in_schema=False)
    def labels(request: Request, lot: str, wanted: Annotated[Labels, Depends()]) -> HTMLResponse:
        text = hand.labels(lot, wanted.fields | {"address": str(request.base_url)})
        return HTMLResponse(text, headers={"Content-Security-Policy": policy_for(text)})

    @router.get(
        "/api/lots/{lot}/labels",
        response_model=None,
        responses=EVERYWHERE | WRONG | MISSING | {200: {"content": {"text/html": {}}}},
        summary="Labels to print",
    )
    def labels_for_program(request: Request, lot: LotName, wanted: Annotated[Labels, Depends()]) -> Response:
        """An A4 sheet of labels, an HTML page to print: ``mustwatch labels``."""
        try:
            return labels(request, lot, wanted)
        except NotPossibleError as error:
            return problem(422, str(error))

    @router.post("/stock/{row_id}", include_in_schema=False)
    async def take(request: Request, row_id: str) -> Response:
        typed = {name: str(value) for name, value in (await request.form()).items()}
        check_form(shell.gate, request, typed.pop("form_token", ""))
        return await run_in_threadpool(_take, shell, request, row_id, typed)

    @router.get(
        "/api/stock", response_model=models.Stock, responses=EVERYWHERE, summary="The stock of bottles"
    )
    def stock() -> JSONResponse:
        """What is left by wine and year, and each bottling with its notes: ``mustwatch stock --json``."""
        return JSONResponse(hand.stock())

    refused: Responses = {409: {"model": models.Refused, "description": "Refused; nothing was written."}}

    @router.post(
        "/api/stock/{row_id}",
        response_model=models.WrittenEntry,
        status_code=201,
        responses=EVERYWHERE | SENT | WRONG | MISSING | refused,
        summary="Take bottles from the stock",
    )
    def take_by_program(row_id: RowId, taken: Annotated[models.Taken, Body()]) -> JSONResponse:
        """Say that bottles were opened, given away or lost; the entry is undone as any other."""
        try:
            fields = taken.model_dump(exclude={"at"}, exclude_none=True)
            return written_json(hand.take_bottles(row_id, fields, taken.at), 201)
        except NotPossibleError as error:
            return problem(422, str(error))

    return router


def _take(shell: Shell, request: Request, row_id: str, typed: dict[str, str]) -> Response:
    key = typed.pop("entry_key", "")
    try:
        if key and not ENTRY_KEY.fullmatch(key):
            raise NotPossibleError("this form is not from a page of ours, or too old: load the page anew")
        written = shell.hand.take_bottles(row_id, typed, typed.pop("at", "") or None, key or None)
        said = [refused.line for refused in written.refused]
    except NotPossibleError as error:
        said = [f"{error}."]
    if said:
        return _page(shell, request, said, row_id, typed, status=409)
    return RedirectResponse("/stock?done=yes", status_code=303)


def _page(
    shell: Shell,
    request: Request,
    said: list[str],
    row_id: str = "",
    typed: dict[str, str] | None = None,
    status: int = 200,
) -> HTMLResponse:
    return shell.page(
        request,
        "stock.html",
        status,
        stock=shell.hand.stock(),
        sheets=shell.hand.label_sheets(),
        lots=shell.hand.lots(),
        said=said,
        row_id=row_id,
        typed=typed or {},
    )
