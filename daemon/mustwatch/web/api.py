"""The JSON API behind the pages: described by OpenAPI, in the words of the commands' ``--json``."""

from datetime import date, datetime
from functools import partial
from typing import Annotated, Any

from fastapi import APIRouter, Body, Path, Query
from starlette.responses import JSONResponse

from mustwatch.cellar.instant import iso, to_ms
from mustwatch.web import api_curve_models as curve_models
from mustwatch.web import api_entry_models as entry_models
from mustwatch.web import api_models as models
from mustwatch.web import api_sensor_models as sensor_models
from mustwatch.web.cellarhand import (
    NIGHT_EARLIEST,
    NIGHT_LATEST,
    Document,
    NotPossibleError,
    Wish,
    Written,
)
from mustwatch.web.guard import problem
from mustwatch.web.lots_routes import Chosen, Sought, UntilDay
from mustwatch.web.shell import Shell

OF_THE_PAGES = frozenset({"curve", "days", "choices"})
"""What the documents hold for the pages alone; ``/api/lots/{lot}/curves`` has it in full."""
QUARANTINE_AT_MOST = 500
INSTANT_EXAMPLE = "2026-10-03T11:00:00+02:00"

Responses = dict[int | str, dict[str, Any]]

EVERYWHERE: Responses = {
    401: {"model": models.Problem, "description": "A token is asked for."},
    429: {"model": models.Problem, "description": "Too many wrong tokens."},
}
WRONG: Responses = {422: {"model": models.Problem, "description": "A parameter or the body cannot be read."}}
MISSING: dict[int | str, dict[str, Any]] = {
    404: {"model": models.Problem, "description": "There is none of that name."}
}
NOT_NOW: Responses = {
    409: {"model": models.Problem, "description": "Nothing can be foretold of it now, or the day is over."}
}
OVER: Responses = {409: {"model": models.Problem, "description": "It is over already."}}
SENT: Responses = {
    400: {"model": models.Problem, "description": "The body is not JSON."},
    403: {"model": models.Problem, "description": "Sent by another site's page."},
    413: {"model": models.Problem, "description": "Too long."},
}

AlertId = Annotated[str, Path(max_length=100)]
LotName = Annotated[str, Path(description="The lot's name.", min_length=1, max_length=64)]
SensorId = Annotated[str, Path(description="The sensor's id.", min_length=1, max_length=64)]
Observed = Annotated[str, Path(description="When it was observed, as `/api/sensors` says.", max_length=40)]
When = Annotated[datetime | None, Query(description=f"ISO 8601 with offset, as {INSTANT_EXAMPLE}.")]


def api_routes(shell: Shell) -> APIRouter:
    """Return the API's routes that look."""
    router = APIRouter(prefix="/api", responses=EVERYWHERE)
    hand = shell.hand

    @router.get("/cellar", response_model=models.Cellar, summary="The cellar")
    def cellar() -> JSONResponse:
        """Every vessel with its lot, what comes next, and the open alerts: ``mustwatch cellar --json``."""
        document = hand.cellar()
        return JSONResponse({**document, "vessels": [_plain(row) for row in document["vessels"]]})

    @router.get("/night", response_model=models.NightDocument, responses=WRONG, summary="A night")
    def night(
        day: Annotated[
            date | None,
            Query(
                alias="date",
                ge=NIGHT_EARLIEST,
                le=NIGHT_LATEST,
                description="The evening it began; the newest if left out.",
            ),
        ] = None,
    ) -> JSONResponse:
        """Per place the night's swing, and the seven nights before: ``mustwatch night --json``."""
        document = hand.night(day)
        return JSONResponse(
            {name: document[name] for name in ("night", "from", "until", "previous", "next")}
            | {"vessels": [_plain(row) for row in document["vessels"]]}
        )

    @router.get("/lots", response_model=list[models.PastLot], responses=WRONG, summary="All lots")
    def lots(q: Sought = "") -> JSONResponse:
        """Every lot there ever was, the newest first; with ``q``, those in which its words stand."""
        return JSONResponse(hand.lots(q))

    @router.get(
        "/laid-over",
        response_model=curve_models.LaidOver,
        responses=MISSING | WRONG,
        summary="Lots laid over each other",
    )
    def over(chosen: Chosen, days: UntilDay = None) -> JSONResponse:
        """Two to four lots by the day since pitching: gravity, temperature, and what was done on which day."""
        return JSONResponse(hand.laid_over(chosen, days))

    @router.get("/lots/{lot}", response_model=models.Lot, responses=MISSING | WRONG, summary="A lot")
    def lot(lot: LotName) -> JSONResponse:
        """A lot with what comes next and its book."""
        return JSONResponse(_plain(hand.lot(lot)))

    @router.get(
        "/lots/{lot}/curves",
        response_model=curve_models.Curves,
        responses=MISSING | WRONG,
        summary="A lot's curves",
    )
    def curves(
        lot: LotName,
        begin: Annotated[When, Query(alias="from")] = None,
        end: Annotated[When, Query(alias="until")] = None,
        points: Annotated[int, Query(ge=40, le=2_000, description="The most points per curve.")] = 1_000,
    ) -> JSONResponse:
        """Gravity, temperature and the room's in a window, the forecast, stages, bands, entries, alerts and nights.

        Thinned by M4 (first, last, lowest and highest of every column), so that every extreme is kept.
        """
        document = hand.curves(lot, _instant("from", begin), _instant("until", end), points)
        return JSONResponse(_dated(document))

    @router.get(
        "/lots/{lot}/whatif",
        response_model=models.WhatIf,
        responses=MISSING | WRONG | NOT_NOW,
        summary="What if",
    )
    def what_if(
        lot: LotName,
        celsius: Annotated[
            float | None, Query(ge=0, le=40, description="The must's from now on, °C.")
        ] = None,
        by: Annotated[
            date | None,
            Query(ge=NIGHT_EARLIEST, le=NIGHT_LATEST, description="The day by whose end it is to be over."),
        ] = None,
    ) -> JSONResponse:
        """When a lot is to be racked and ends if it is kept at another temperature: ``mustwatch whatif --json``."""
        return JSONResponse(hand.what_if(lot, celsius, None if by is None else by.isoformat()))

    @router.get("/alerts", response_model=list[models.Alert], responses=WRONG, summary="Alerts")
    def alerts(
        past: Annotated[bool, Query(description="Those that are over, instead of those that hold.")] = False,
    ) -> JSONResponse:
        """What must be done or is going wrong, the worst first: ``mustwatch alerts --json``."""
        return JSONResponse(hand.alerts(past=past))

    @router.get(
        "/messages/undelivered",
        response_model=list[sensor_models.Undelivered],
        summary="Messages not delivered",
    )
    def undelivered() -> JSONResponse:
        """Messages that wait to be told, and those given up lately."""
        return JSONResponse(hand.undelivered())

    @router.get("/sensors", response_model=list[sensor_models.Sensor], summary="Sensors")
    def sensors() -> JSONResponse:
        """Every sensor with what it said last, its battery and its calibrations."""
        return JSONResponse(hand.sensors())

    @router.get(
        "/quarantine",
        response_model=sensor_models.Quarantine,
        responses=WRONG,
        summary="What could not be read",
    )
    def quarantine(limit: Annotated[int, Query(ge=1, le=QUARANTINE_AT_MOST)] = 100) -> JSONResponse:
        """Payloads that could not be read, and why."""
        return JSONResponse(hand.quarantine(limit))

    return router


def api_writing_routes(shell: Shell) -> APIRouter:
    """Return the API's routes that write."""
    router = APIRouter(prefix="/api", responses=EVERYWHERE | SENT | WRONG)
    hand = shell.hand
    refused: Responses = {
        409: {
            "model": entry_models.Refused,
            "description": "A rule of the book refuses it; nothing was written.",
        }
    }

    answer = partial(router.post, response_model=models.Alert, responses=MISSING | OVER)

    @answer("/alerts/{alert_id}/acknowledge", summary="Acknowledge an alert")
    def acknowledge(alert_id: AlertId) -> JSONResponse:
        """Say that somebody knows: it is not told again unless it gets worse."""
        return JSONResponse(hand.acknowledge(alert_id))

    @answer("/alerts/{alert_id}/put-off", summary="Put an alert off until tomorrow")
    def put_off(alert_id: AlertId) -> JSONResponse:
        """Say that somebody knows, and wants to be asked again tomorrow morning."""
        return JSONResponse(hand.acknowledge(alert_id, until_tomorrow=True))

    @answer("/alerts/{alert_id}/recall", summary="Undo the acknowledging of an alert")
    def recall(alert_id: AlertId) -> JSONResponse:
        """Take back that somebody knows: it is open, and told again when it is due."""
        return JSONResponse(hand.recall(alert_id))

    @router.post(
        "/lots/{lot}/entries",
        response_model=entry_models.WrittenEntry,
        status_code=201,
        responses=refused,
        summary="Write in a lot's book",
    )
    def record(lot: LotName, entry: Annotated[entry_models.NewEntry, Body()]) -> JSONResponse:
        """Write an entry by the same rules as ``mustwatch record``."""
        try:
            written = hand.record(Wish(lot, entry.kind, entry.typed(), entry.at, entry.despite))
        except NotPossibleError as error:
            return problem(422, str(error))
        return written_json(written, 201)

    @router.delete(
        "/lots/{lot}/entries/{entry_id}",
        response_model=entry_models.WrittenEntry,
        responses=MISSING | refused,
        summary="Take an entry back",
    )
    def undo(lot: LotName, entry_id: Annotated[str, Path(max_length=100)]) -> JSONResponse:
        """Take an entry back; its row stays in the record."""
        return written_json(hand.undo(lot, entry_id), 200)

    @router.post(
        "/lots/{lot}/entries/{entry_id}/move",
        response_model=entry_models.WrittenEntry,
        responses=MISSING | refused,
        summary="Move an entry to another lot",
    )
    def move(
        lot: LotName, entry_id: Annotated[str, Path(max_length=100)], to: Annotated[entry_models.To, Body()]
    ) -> JSONResponse:
        """Write an entry of the wrong lot into the right one's book; it is undone where it was."""
        return written_json(hand.move_entry(lot, entry_id, to.lot, to.despite), 200)

    @router.post(
        "/sensors/{sensor}/readings/{at}/set-aside",
        response_model=sensor_models.ReadingMoved,
        responses=MISSING | OVER,
        summary="Set a reading aside",
    )
    def set_aside(sensor: SensorId, at: Observed, body: Annotated[sensor_models.Why, Body()]) -> JSONResponse:
        """Take one reading, as of a clock that was wrong, out of all that is concluded and shown. It is kept."""
        return JSONResponse(hand.set_aside(sensor, at, body.why))

    @router.delete(
        "/sensors/{sensor}/readings/{at}/set-aside",
        response_model=sensor_models.ReadingMoved,
        responses=MISSING | OVER,
        summary="Put a reading back",
    )
    def put_back(sensor: SensorId, at: Observed) -> JSONResponse:
        """Take a reading in again that was set aside."""
        return JSONResponse(hand.put_back(sensor, at))

    return router


def written_json(written: Written, status: int) -> JSONResponse:
    """Return what came of an entry: written with its id and remarks, or why it is refused (409)."""
    if not written.refused:
        return JSONResponse({"id": written.entry_id, "remarks": list(written.remarks)}, status)
    refusals = [
        {"reason": r.reason, "line": r.line, "can_be_overruled": r.can_be_overruled} for r in written.refused
    ]
    return JSONResponse({"detail": written.refused[0].line, "refusals": refusals}, 409)


def _plain(row: Document) -> Document:
    """Return a document without what only the pages' drawings need."""
    return {name: value for name, value in row.items() if name not in OF_THE_PAGES}


def _instant(name: str, at: datetime | None) -> int | None:
    if at is None:
        return None
    try:
        return to_ms(at)
    except ValueError:
        raise NotPossibleError(
            f"{name}: no offset; expected ISO 8601 with one, as {INSTANT_EXAMPLE}"
        ) from None


def _dated(value: Any) -> Any:
    """Return the curves' document with ISO instants for milliseconds."""

    def at(instants: list[int | None]) -> list[str | None]:
        return [iso(ms) for ms in instants]

    def curve(part: Document) -> Document:
        return {**part, "at": at(part["at"])}

    def span(part: Document) -> Document:
        rest = {k: v for k, v in part.items() if not k.endswith("_ms")}
        return rest | {"from": iso(part["from_ms"]), "until": iso(part["until_ms"])}

    forecast = value["forecast"]
    return {
        **{name: of for name, of in span(value).items() if name != "whole"},
        "now": iso(value["now_ms"]),
        "estimate": curve(value["estimate"]),
        "celsius": curve(value["celsius"]),
        "sensors": [
            {**one, "gravity": curve(one["gravity"]), "celsius": curve(one["celsius"])}
            for one in value["sensors"]
        ],
        "room": [{**one, "celsius": curve(one["celsius"])} for one in value["room"]],
        "checks": curve(value["checks"]),
        "entries": [
            {"at": iso(e["at_ms"]), "kind": e["kind"], "words": e["words"]} for e in value["entries"]
        ],
        "alerts": [
            {
                "at": iso(a["at_ms"]),
                "until": iso(a["until_ms"]),
                "severity": a["severity"],
                "words": a["words"],
            }
            for a in value["alerts"]
        ],
        "nights": [span(one) for one in value["nights"]],
        "stages": [span(one) for one in value["stages"]],
        "bands": [span(one) for one in value["bands"]],
        "forecast": None
        if forecast is None
        else {name: of if name == "gravity" else at(of) for name, of in forecast.items()},
    }
