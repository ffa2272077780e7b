"""A lot's addresses: its page, its curve's data, and the forms that write in its book."""

import base64
import hashlib
import re
from collections.abc import Mapping
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query, Request
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.responses import HTMLResponse, RedirectResponse, Response

from mustwatch.web.cellarhand import Document, NotPossibleError, Wish, Written
from mustwatch.web.chart_window import neighbours, opening
from mustwatch.web.guard import check_form
from mustwatch.web.lot_chart import LotChart
from mustwatch.web.shell import Shell
from mustwatch.web.words import path_part

FORMS = frozenset({"measure", "rack", "add", "note", "bottle", "move"})
SAID = {
    "measure": "The check is written.",
    "rack": "The racking is written.",
    "add": "The addition is written.",
    "note": "The note is written.",
    "bottle": "The bottling is written.",
    "move": "The sensor's place is written.",
    "start": "The lot has begun.",
    "undo": "The entry is undone.",
    "before": "This form was sent before: its entry is in the book, once.",
}
OF_THE_FORM = frozenset({"form_token", "entry_key", "at", "despite", "lot"})
ENTRY_KEY = re.compile(r"[0-9a-f]{12}")
NOTHING_ELSE = "base-uri 'none'; frame-ancestors 'none'; form-action 'none'"
EPOCH_RANGE_MS = 4_102_444_800_000
"""The year 2100: no instant asked for lies beyond it."""

CURVE_POINTS = 720
"""Two to a pixel of a phone; a closer look has the readings of a shorter window."""


class Looked:
    """Which stretch of a lot's curve an address asks for: its last days, a window, or with neither its whole life."""

    def __init__(
        self,
        begin: Annotated[int | None, Query(alias="from", ge=0, le=EPOCH_RANGE_MS)] = None,
        end: Annotated[int | None, Query(alias="until", ge=0, le=EPOCH_RANGE_MS)] = None,
        days: Annotated[int | None, Query(ge=1, le=3_650)] = None,
    ) -> None:
        """Read the address; half a window, or one upside down, is none."""
        is_window = begin is not None and end is not None and begin < end
        self.window = (begin, end) if is_window and days is None else (None, None)
        self.days = days


def lot_routes(shell: Shell) -> APIRouter:
    """Return the routes of the lots' pages; they are not part of the API's description."""
    router = APIRouter(include_in_schema=False)
    hand = shell.hand

    @router.get("/lot/{lot}")
    def lot_page(
        request: Request,
        lot: str,
        looked: Annotated[Looked, Depends()],
        done: str | None = None,
        entry: Annotated[str | None, Query(max_length=64)] = None,
    ) -> HTMLResponse:
        said = [SAID[done], *shell.remarks(entry)] if done in SAID else []
        return _lot_page(shell, request, hand.lot(lot), said=said, looked=looked)

    @router.get("/lot/{lot}/curve")
    def curve(request: Request, lot: str, looked: Annotated[Looked, Depends()]) -> HTMLResponse:
        return shell.page(
            request, "lot_curve.html", alerts_open=0, lot_name=lot, **_curve(shell, lot, looked)
        )

    @router.get("/lot/{lot}/record")
    def record_page(lot: str) -> HTMLResponse:
        text = hand.record_page(lot)
        answer = HTMLResponse(text)
        answer.headers["Content-Security-Policy"] = _policy_for(text)
        return answer

    @router.post("/lot/{lot}/record/{kind}")
    async def record(request: Request, lot: str, kind: str) -> Response:
        typed = _typed(await request.form())
        return await run_in_threadpool(_record, shell, request, lot, kind, typed)

    @router.post("/lot/{lot}/undo/{entry_id}")
    async def undo(request: Request, lot: str, entry_id: str) -> Response:
        typed = _typed(await request.form())
        check_form(shell.gate, request, str(typed.get("form_token", "")))
        written = await run_in_threadpool(hand.undo, lot, entry_id)
        if written.refused:
            said = [r.line for r in written.refused]
            return _lot_page(shell, request, hand.lot(lot), said=said, is_refused=True, status=409)
        return RedirectResponse(f"/lot/{path_part(lot)}?done=undo", status_code=303)

    @router.get("/begin")
    def begin_page(request: Request, vessel: str = "") -> HTMLResponse:
        return _begin_page(shell, request, {"vessel": vessel})

    @router.post("/begin")
    async def begin_lot(request: Request) -> Response:
        typed = _typed(await request.form())
        return await run_in_threadpool(_begin, shell, request, typed)

    return router


def _typed(form: FormData) -> dict[str, Any]:
    """Return a form's texts; of a name that came several times the list."""
    typed: dict[str, Any] = {}
    for name in form:
        values = [value for value in form.getlist(name) if isinstance(value, str)]
        typed[name] = values if name == "floats" else (values[-1] if values else "")
    return typed


def _record(shell: Shell, request: Request, lot: str, kind: str, typed: Mapping[str, Any]) -> Response:
    """Write an entry and show the lot again; on a refusal with what was typed, and why."""
    check_form(shell.gate, request, str(typed.get("form_token", "")))
    if kind not in FORMS:
        raise NotPossibleError(f"{kind!r} is not written here")
    written, said = _write(shell, _wish(lot, kind, typed))
    if said:
        refused = written is not None and written.can_be_overruled
        document = shell.hand.lot(lot)
        return _lot_page(
            shell,
            request,
            document,
            said=said,
            is_refused=True,
            kind=kind,
            typed=typed,
            refused=refused,
            status=409,
        )
    return _written(shell, lot, kind, written)


def _written(shell: Shell, lot: str, kind: str, written: Written | None) -> Response:
    """Lead to the lot's page, so that loading it again sends nothing; what there is to say is said there."""
    if written is None or written.entry_id is None or written.is_repeat:
        return RedirectResponse(f"/lot/{path_part(lot)}?done=before", status_code=303)
    shell.remember(written.entry_id, tuple(f"{shell.words.sentence(r)}." for r in written.remarks))
    return RedirectResponse(f"/lot/{path_part(lot)}?done={kind}&entry={written.entry_id}", status_code=303)


def _wish(lot: str, kind: str, typed: Mapping[str, Any]) -> Wish:
    fields = {name: value for name, value in typed.items() if name not in OF_THE_FORM}
    key = str(typed.get("entry_key", "")) or None
    if key is not None and not ENTRY_KEY.fullmatch(key):
        raise NotPossibleError("this form is not from a page of ours, or too old: load the page anew")
    return Wish(
        lot, kind, fields, str(typed.get("at", "")) or None, str(typed.get("despite", "")) or None, key
    )


def _write(shell: Shell, wish: Wish) -> tuple[Written | None, list[str]]:
    """Write a wish; return what came of it, and what there is to say if it was not written."""
    try:
        written = shell.hand.record(wish)
    except NotPossibleError as error:
        return None, [f"{error}."]
    lines = [refused.line for refused in written.refused]
    if lines and written.can_be_overruled:
        lines.append("Nothing was written. If you know better, give a reason below: the book keeps it.")
    return written, lines


def _begin(shell: Shell, request: Request, typed: Mapping[str, Any]) -> Response:
    check_form(shell.gate, request, str(typed.get("form_token", "")))
    lot = str(typed.get("lot", "")).strip()
    written, said = _write(shell, _wish(lot, "start", typed))
    if said:
        refused = written is not None and written.can_be_overruled
        return _begin_page(shell, request, typed, said=said, refused=refused, status=409)
    return _written(shell, lot, "start", written)


def _begin_page(
    shell: Shell,
    request: Request,
    typed: Mapping[str, Any],
    *,
    said: list[str] | None = None,
    refused: bool = False,
    status: int = 200,
) -> HTMLResponse:
    return shell.page(
        request,
        "begin.html",
        status,
        vessel=str(typed.get("vessel", "")),
        profiles=shell.hand.profiles(),
        typed=typed,
        kind="start",
        said=said or [],
        refused=refused,
    )


def _lot_page(
    shell: Shell,
    request: Request,
    lot: Document,
    *,
    said: list[str],
    is_refused: bool = False,
    kind: str = "",
    typed: Mapping[str, Any] | None = None,
    refused: bool = False,
    looked: Looked | None = None,
    status: int = 200,
) -> HTMLResponse:
    typed = typed or {}
    return shell.page(
        request,
        "lot.html",
        status,
        lot=lot,
        choices=lot["choices"],
        lot_name=lot["lot"],
        **_curve(shell, lot["lot"], looked or Looked(None, None, None)),
        said=said,
        is_refused=is_refused,
        kind=kind,
        typed=typed,
        floats_typed=typed.get("floats", []),
        refused=refused,
    )


def _curve(shell: Shell, lot: str, looked: Looked) -> dict[str, Any]:
    """Return what the template of a lot's curve shows: the drawing, its window, and where its links lead."""
    curves = shell.hand.curves(lot, *looked.window, CURVE_POINTS, looked.days)
    is_whole = looked.days is None and looked.window == (None, None)
    window = opening(curves) if is_whole else (curves["from_ms"], curves["until_ms"])
    return {
        "chart": LotChart(curves, window, shell.words).svg(),
        "chart_stretch": tuple(shell.words.measures.moment(at_ms) for at_ms in window),
        "chart_days": looked.days or (0 if is_whole else None),
        "chart_neighbours": neighbours(curves, window),
    }


def _policy_for(text: str) -> str:
    """Return a policy that allows the printed record's one style element, by its digest, and nothing else."""
    style = re.search(r"<style>(.*?)</style>", text, re.DOTALL)
    digest = base64.b64encode(hashlib.sha256((style[1] if style else "").encode()).digest()).decode()
    return f"default-src 'none'; style-src 'sha256-{digest}'; {NOTHING_ELSE}"
