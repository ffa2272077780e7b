"""What is due: its page with the forms that see to it, and the same for programs."""

from collections.abc import Mapping
from datetime import datetime
from hashlib import blake2b
from typing import Annotated, Any

from fastapi import APIRouter, Body, Form, Path, Query, Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response

from mustwatch.cellar.instant import DAY_MS, from_ms
from mustwatch.web import api_entry_models as models
from mustwatch.web.api import EVERYWHERE, MISSING, SENT, WRONG, written_json
from mustwatch.web.cellarhand import Document, NotPossibleError, Written
from mustwatch.web.guard import check_form, problem
from mustwatch.web.lot_routes import ENTRY_KEY
from mustwatch.web.shell import Shell
from mustwatch.web.words import path_part

WEEK_DAYS = 7
SAID = {
    "done": "Done.",
    "put-off": "Put off.",
    "dropped": "Dropped: it does not come again.",
    "remind": "The reminder is set.",
    "undo": "Undone.",
    "renew": "The calendar has another address; the old one is gone.",
}
DueId = Annotated[str, Path(pattern=r"^[0-9a-f]{8}$")]
Text = Annotated[str, Form(max_length=8_000)]


def due_routes(shell: Shell) -> APIRouter:
    """Return the routes of the page; they are not part of the API's description."""
    router = APIRouter(include_in_schema=False)
    hand = shell.hand

    @router.get("/due")
    def due(request: Request, said: str | None = None, entry: str = "", lot: str = "") -> HTMLResponse:
        undoable = (lot, entry) if ENTRY_KEY.fullmatch(entry) and lot and said != "undo" else None
        return _page(shell, request, said=[SAID[said]] if said in SAID else [], undoable=undoable)

    @router.post("/due/{due_id}")
    def attend(
        request: Request,
        due_id: DueId,
        act: Text,
        until: Text = "",
        form_token: Text = "",
        entry_key: Text = "",
    ) -> Response:
        check_form(shell.gate, request, form_token)
        rows = hand.due(None)["due"]
        lot = next((row["lot"] or "#" for row in rows if row["id"] == due_id), "#")
        try:
            written = hand.attend(due_id, act, until or None, _key(entry_key))
        except NotPossibleError as error:
            return _page(shell, request, [f"{error}."], typed={"id": due_id, "until": until}, status=409)
        return _answer(shell, request, written, act, lot)

    @router.post("/remind")
    def remind(
        request: Request,
        text: Text = "",
        lot: Text = "",
        on: Text = "",
        every: Text = "",
        form_token: Text = "",
        entry_key: Text = "",
    ) -> Response:
        check_form(shell.gate, request, form_token)
        typed = {"text": text, "lot": lot, "on": on, "every": every}
        try:
            written = hand.remind(
                lot or None, {k: v for k, v in typed.items() if k != "lot"}, _key(entry_key)
            )
        except NotPossibleError as error:
            return _page(shell, request, [f"{error}."], typed=typed, status=409)
        return _answer(shell, request, written, "remind", lot or "#", typed)

    @router.get("/calendar/{token}.ics")
    def calendar(request: Request, token: str) -> Response:
        feed = hand.calendar(token)
        version = f'"{blake2b(feed, digest_size=8).hexdigest()}"'
        if request.headers.get("if-none-match") == version:
            return Response(status_code=304, headers={"ETag": version})
        return Response(feed, media_type="text/calendar; charset=utf-8", headers={"ETag": version})

    @router.post("/calendar")
    def renew(request: Request, form_token: Text = "") -> Response:
        check_form(shell.gate, request, form_token)
        hand.calendar_path(renew=True)
        return RedirectResponse("/due?said=renew", status_code=303)

    @router.post("/due/undo/{entry_id}")
    def undo(request: Request, entry_id: str, lot: Text, form_token: Text = "") -> Response:
        check_form(shell.gate, request, form_token)
        return _answer(shell, request, hand.undo(lot, entry_id), "undo", lot)

    return router


def due_api_routes(shell: Shell) -> APIRouter:
    """Return the API's routes of what is due."""
    router = APIRouter(prefix="/api", responses=EVERYWHERE)
    hand = shell.hand

    @router.get("/due", response_model=models.DueDocument, responses=WRONG, summary="What is due")
    def due(
        days: Annotated[int, Query(ge=0, le=3_660, description="And will be within this many days.")] = 0,
        all_: Annotated[bool, Query(alias="all", description="And all that is to come.")] = False,
    ) -> JSONResponse:
        """Steps, rounds and reminders over all lots, in the order of need: ``mustwatch due --json``."""
        return JSONResponse(hand.due(None if all_ else days))

    sent = SENT | WRONG | {409: {"model": models.Refused, "description": "Refused; nothing was written."}}

    @router.post(
        "/due/{due_id}", response_model=models.WrittenEntry, responses=sent | MISSING, summary="See to it"
    )
    def attend(due_id: DueId, attended: Annotated[models.Attended, Body()]) -> JSONResponse:
        """Say that a thing is done, put off or dropped; the entry is undone as any other."""
        try:
            return written_json(hand.attend(due_id, attended.act, attended.until), 200)
        except NotPossibleError as error:
            return problem(422, str(error))

    @router.post(
        "/reminders",
        response_model=models.WrittenEntry,
        status_code=201,
        responses=sent,
        summary="Set a reminder",
    )
    def remind(reminder: Annotated[models.NewReminder, Body()]) -> JSONResponse:
        """Be reminded of something on a day, and again: ``mustwatch remind``."""
        try:
            fields = reminder.model_dump(exclude={"lot"}, exclude_none=True)
            return written_json(hand.remind(reminder.lot, fields), 201)
        except NotPossibleError as error:
            return problem(422, str(error))

    @router.get("/calendar", response_model=models.CalendarAddress, summary="The calendar's address")
    def calendar(request: Request) -> JSONResponse:
        """Return where a calendar subscribes to what is due; whoever has the address may look at that alone."""
        return JSONResponse({"address": _address(request, hand.calendar_path())})

    @router.post(
        "/calendar", response_model=models.CalendarAddress, responses=SENT, summary="Give it another address"
    )
    def renew(request: Request) -> JSONResponse:
        """Give the calendar another address; the old one is gone."""
        return JSONResponse({"address": _address(request, hand.calendar_path(renew=True))})

    return router


def _address(request: Request, path: str) -> str:
    return f"{str(request.base_url).rstrip('/')}{path}"


def _key(typed: str) -> str | None:
    if typed and not ENTRY_KEY.fullmatch(typed):
        raise NotPossibleError("this form is not from a page of ours, or too old: load the page anew")
    return typed or None


def _answer(
    shell: Shell,
    request: Request,
    written: Written,
    what: str,
    lot: str,
    typed: Mapping[str, Any] | None = None,
) -> Response:
    """Lead to the page, so that loading it again sends nothing; or show why nothing was written."""
    if written.refused:
        return _page(shell, request, [r.line for r in written.refused], typed=typed, status=409)
    where = f"&entry={written.entry_id}&lot={path_part(lot)}" if written.entry_id else ""
    return RedirectResponse(f"/due?said={what}{where}", status_code=303)


def _page(
    shell: Shell,
    request: Request,
    said: list[str],
    *,
    typed: Mapping[str, Any] | None = None,
    undoable: tuple[str, str] | None = None,
    status: int = 200,
) -> HTMLResponse:
    document = shell.hand.due(None)
    rows = document["due"]
    soon = from_ms(shell.hand.now_ms() + WEEK_DAYS * DAY_MS)

    def is_soon(row: Document) -> bool:
        return row["due"] == "later" and datetime.fromisoformat(row["due_at"]) <= soon

    return shell.page(
        request,
        "due.html",
        status,
        groups=[
            ("Now", [r for r in rows if r["due"] in ("now", "overdue")]),
            ("This week", [r for r in rows if is_soon(r)]),
            ("Later", [r for r in rows if r["due"] in ("later", "waiting") and not is_soon(r)]),
        ],
        lots=[lot["lot"] for lot in shell.hand.lots()],
        said=said,
        is_refused=status != 200,
        typed=typed or {},
        undoable=undoable,
        calendar=_address(request, shell.hand.calendar_path()),
    )
