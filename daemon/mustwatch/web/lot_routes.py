"""A lot's addresses: its page, its curve's data, and the forms that write in its book."""

import base64
import hashlib
import re
from collections import defaultdict
from collections.abc import Mapping
from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query, Request
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.responses import HTMLResponse, RedirectResponse, Response

from mustwatch.cellar.instant import MINUTE_MS, to_ms
from mustwatch.web.cellarhand import Document, NotKnownError, NotPossibleError, Wish, Written
from mustwatch.web.chart_window import neighbours, opening
from mustwatch.web.forms import ON_THE_BAR, REASON, START, WHEN, Form, is_a_sentence
from mustwatch.web.guard import check_form
from mustwatch.web.lot_chart import LotChart
from mustwatch.web.shell import Shell
from mustwatch.web.transfer_forms import ALL_FORMS as FORMS
from mustwatch.web.words import path_part

SAID = {
    **{form.name: form.written for form in (*FORMS.values(), START)},
    "undo": "The entry is undone.",
    "moved": "The entry is in this lot's book now.",
    "before": "This form was sent before: its entry is in the book, once.",
}
OF_THE_FORM = frozenset({"form_token", "entry_key", "at", "when", "despite", "lot"})
UNDO_OFFERED_MS = MINUTE_MS
"""For so long after it was written an entry can be undone where that is said."""
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


class Asked:
    """What an address asks about a lot: kept how warm from now on, in the cellar's unit, and to be over by when."""

    def __init__(
        self,
        degrees: Annotated[float | None, Query(ge=0, le=120)] = None,
        by: Annotated[str, Query(max_length=32)] = "",
    ) -> None:
        """Read the address."""
        self.degrees, self.by = degrees, by


def lot_routes(shell: Shell) -> APIRouter:
    """Return the routes of the lots' pages; they are not part of the API's description."""
    router = APIRouter(include_in_schema=False)
    hand = shell.hand

    @router.get("/lot/{lot}")
    def lot_page(
        request: Request,
        lot: str,
        looked: Annotated[Looked, Depends()],
        asked: Annotated[Asked, Depends()],
        done: str | None = None,
        entry: Annotated[str | None, Query(max_length=64)] = None,
    ) -> HTMLResponse:
        document = hand.lot(lot)
        said = [SAID[done], *shell.remarks(entry)] if done in SAID else []
        return _lot_page(
            shell,
            request,
            document,
            said=said,
            looked=looked,
            asked=asked,
            undo=_just_written(document, entry, hand.now_ms()),
        )

    @router.get("/lot/{lot}/write")
    def write_more(request: Request, lot: str) -> HTMLResponse:
        document = hand.lot(lot)
        offered = [form for form in FORMS.values() if form.is_offered(document)]
        return shell.page(request, "write_more.html", lot_name=lot, forms=offered)

    @router.get("/lot/{lot}/write/{name}")
    def write_page(request: Request, lot: str, name: str) -> HTMLResponse:
        form = _form(name)
        return _form_page(shell, request, form, hand.lot(lot), form.prefilled(request.query_params))

    @router.get("/lot/{lot}/whatif")
    def what_if(request: Request, lot: str, asked: Annotated[Asked, Depends()]) -> HTMLResponse:
        return shell.page(request, "lot_whatif.html", alerts_open=0, whatif=_whatif(shell, lot, asked))

    @router.get("/lot/{lot}/curve")
    def curve(request: Request, lot: str, looked: Annotated[Looked, Depends()]) -> HTMLResponse:
        return shell.page(request, "lot_curve.html", pulse=None, lot_name=lot, **_curve(shell, lot, looked))

    @router.get("/lot/{lot}/record")
    def record_page(lot: str) -> HTMLResponse:
        text = hand.record_page(lot)
        answer = HTMLResponse(text)
        answer.headers["Content-Security-Policy"] = policy_for(text)
        return answer

    @router.post("/lot/{lot}/record/{name}")
    async def record(request: Request, lot: str, name: str) -> Response:
        typed = _typed(await request.form())
        return await run_in_threadpool(_record, shell, request, _form(name), lot, typed)

    @router.post("/lot/{lot}/undo/{entry_id}")
    async def undo(request: Request, lot: str, entry_id: str) -> Response:
        typed = _typed(await request.form())
        check_form(shell.gate, request, str(typed.get("form_token", "")))
        written = await run_in_threadpool(hand.undo, lot, entry_id)
        if written.refused:
            said = [r.line for r in written.refused]
            return _lot_page(shell, request, hand.lot(lot), said=said, status=409)
        return RedirectResponse(f"/lot/{path_part(lot)}?done=undo", status_code=303)

    @router.post("/lot/{lot}/move/{entry_id}")
    async def move_entry(request: Request, lot: str, entry_id: str) -> Response:
        typed = _typed(await request.form())
        check_form(shell.gate, request, str(typed.get("form_token", "")))
        to, despite = str(typed.get("to", "")), str(typed.get("despite", "")).strip() or None
        written = await run_in_threadpool(hand.move_entry, lot, entry_id, to, despite)
        if written.refused:
            said = [r.line for r in written.refused]
            return _lot_page(shell, request, hand.lot(lot), said=said, status=409)
        return RedirectResponse(f"/lot/{path_part(to)}?done=moved", status_code=303)

    @router.get("/begin")
    def begin_page(request: Request, vessel: str = "") -> HTMLResponse:
        return _form_page(shell, request, START, hand.beginning(), {"vessel": vessel})

    @router.post("/begin")
    async def begin_lot(request: Request) -> Response:
        typed = _typed(await request.form())
        lot = str(typed.get("lot", "")).strip()
        return await run_in_threadpool(_record, shell, request, START, lot, typed)

    return router


def _typed(form: FormData) -> dict[str, Any]:
    """Return a form's texts; of a name that came several times the list."""
    typed: dict[str, Any] = {}
    for name in form:
        values = [value for value in form.getlist(name) if isinstance(value, str)]
        typed[name] = values if name == "floats" else (values[-1] if values else "")
    return typed


def _form(name: str) -> Form:
    if name not in FORMS:
        raise NotKnownError(f"{name!r} is not written here; expected one of {', '.join(FORMS)}")
    return FORMS[name]


def _record(shell: Shell, request: Request, form: Form, lot: str, typed: dict[str, Any]) -> Response:
    """Write an entry and lead to its lot; on a refusal show the form again with what was typed, and why."""
    check_form(shell.gate, request, str(typed.get("form_token", "")))
    try:
        written = shell.hand.record(_wish(lot, form.kind, typed))
    except NotPossibleError as error:
        return _refused_page(shell, request, form, lot, typed, form.faults_at(error.faults))
    if written.refused:
        return _refused_page(
            shell, request, form, lot, typed, form.refused_at(written.refused), written.can_be_overruled
        )
    return _written(shell, lot, form, written)


def _refused_page(
    shell: Shell,
    request: Request,
    form: Form,
    lot: str,
    typed: dict[str, Any],
    said_at: dict[str, list[str]],
    can_be_overruled: bool = False,
) -> HTMLResponse:
    document = shell.hand.beginning() if form is START else shell.hand.lot(lot)
    return _form_page(shell, request, form, document, typed, said_at, can_be_overruled)


def _form_page(
    shell: Shell,
    request: Request,
    form: Form,
    document: Document,
    typed: Mapping[str, Any],
    said_at: Mapping[str, list[str]] | None = None,
    can_be_overruled: bool = False,
) -> HTMLResponse:
    """Return a form, as it is first shown or with what is wrong with what was typed."""
    lot = None if form is START else document["lot"]
    if can_be_overruled and typed.get(REASON):
        said_at = {
            **(said_at or {}),
            REASON: ["Say it in a sentence: whoever reads the book wants to know why."],
        }
    names = [field.name for field in form.fields if field.sort not in ("hidden", "ticks")]
    faulty = [name for name in (*names, WHEN, REASON) if (said_at or {}).get(name)]
    return shell.page(
        request,
        "write.html",
        200 if said_at is None else 409,
        form=form,
        document=document,
        lot_name=lot,
        action="/begin" if lot is None else f"/lot/{path_part(lot)}/record/{form.name}",
        typed=typed,
        said_at=defaultdict(list, said_at or {}),
        focused=REASON if can_be_overruled else [*faulty, *names][0],
        can_be_overruled=can_be_overruled,
        is_refused=said_at is not None,
    )


def _just_written(lot: Document, entry: str | None, now_ms: int) -> str | None:
    """Return the id of an entry that was written within the minute and can be undone where that is said."""
    line = next((one for one in lot["timeline"] if one.get("id") == entry), None) if entry else None
    if line is None or line["standing"] != "holds" or line["kind"] == "start":
        return None
    return entry if now_ms - to_ms(datetime.fromisoformat(line["recorded_at"])) < UNDO_OFFERED_MS else None


def _written(shell: Shell, lot: str, form: Form, written: Written) -> Response:
    """Lead to the lot's page, so that loading it again sends nothing; what there is to say is said there."""
    if written.entry_id is None or written.is_repeat:
        return RedirectResponse(f"/lot/{path_part(lot)}?done=before", status_code=303)
    shell.remember(written.entry_id, tuple(f"{shell.words.sentence(r)}." for r in written.remarks))
    return RedirectResponse(
        f"/lot/{path_part(lot)}?done={form.name}&entry={written.entry_id}", status_code=303
    )


def _wish(lot: str, kind: str, typed: Mapping[str, Any]) -> Wish:
    fields = {name: value for name, value in typed.items() if name not in OF_THE_FORM}
    key = str(typed.get("entry_key", "")) or None
    if key is not None and not ENTRY_KEY.fullmatch(key):
        raise NotPossibleError("this form is not from a page of ours, or too old: load the page anew")
    at = typed.get("at", "") if typed.get("when", "at") == "at" else typed["when"]
    return Wish(lot, kind, fields, str(at) or None, _reason(typed), key)


def _reason(typed: Mapping[str, Any]) -> str | None:
    """Return why an entry is to be taken although it is refused; what is no sentence is no reason."""
    reason = str(typed.get(REASON, ""))
    return reason if is_a_sentence(reason) else None


def _lot_page(
    shell: Shell,
    request: Request,
    lot: Document,
    *,
    said: list[str],
    looked: Looked | None = None,
    asked: Asked | None = None,
    undo: str | None = None,
    status: int = 200,
) -> HTMLResponse:
    return shell.page(
        request,
        "lot.html",
        status,
        lot=lot,
        lot_name=lot["lot"],
        **_curve(shell, lot["lot"], looked or Looked(None, None, None)),
        whatif=_whatif(shell, lot["lot"], asked or Asked()) if lot["finish_at"] else None,
        said=said,
        undo=undo,
        is_refused=status != 200,
        bar=[(form.name, word) for form, word in ON_THE_BAR if form.is_offered(lot)],
    )


def _curve(shell: Shell, lot: str, looked: Looked) -> dict[str, Any]:
    """Return what the template of a lot's curve shows: the drawing, its window, and where its links lead."""
    curves = shell.hand.curves(lot, *looked.window, CURVE_POINTS, looked.days)
    is_whole = looked.days is None and looked.window == (None, None)
    window = opening(curves) if is_whole else (curves["from_ms"], curves["until_ms"])
    return {
        "chart": LotChart(curves, window, shell.words).svg(),
        "chart_stretch": tuple(shell.words.moment(at_ms) for at_ms in window),
        "chart_days": looked.days or (0 if is_whole else None),
        "chart_neighbours": neighbours(curves, window),
    }


def _whatif(shell: Shell, lot: str, asked: Asked) -> dict[str, Any]:
    """Return what the template of what-if shows: the document, or why there is none."""
    celsius = None if asked.degrees is None else shell.words.celsius(asked.degrees)
    shown = {"degrees": asked.degrees, "by": asked.by}
    try:
        return {**shell.hand.what_if(lot, celsius, asked.by or None), "problem": None, "typed": shown}
    except NotPossibleError as error:
        return {"problem": str(error), "typed": shown}


def policy_for(text: str) -> str:
    """Return a policy that allows the printed record's one style element, by its digest, and nothing else."""
    style = re.search(r"<style>(.*?)</style>", text, re.DOTALL)
    digest = base64.b64encode(hashlib.sha256((style[1] if style else "").encode()).digest()).decode()
    return f"default-src 'none'; style-src 'sha256-{digest}'; {NOTHING_ELSE}"
