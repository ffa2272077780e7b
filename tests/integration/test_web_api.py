"""The API from its own description (schemathesis), and in the same words as the commands."""

import json
from collections.abc import Callable
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from hypothesis.errors import Unsatisfiable
from schemathesis import GenerationMode
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from mustwatch.views.cellar import cellar_view
from mustwatch.views.night import night_view
from web_cellar import NOW_MS, Pages

Over = Callable[..., Pages]
CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
]


OPERATIONS = [
    ("/api/cellar", "GET"),
    ("/api/night", "GET"),
    ("/api/lots", "GET"),
    ("/api/laid-over", "GET"),
    ("/api/lots/{lot}", "GET"),
    ("/api/lots/{lot}/curves", "GET"),
    ("/api/lots/{lot}/whatif", "GET"),
    ("/api/lots/{lot}/entries", "POST"),
    ("/api/lots/{lot}/entries/{entry_id}", "DELETE"),
    ("/api/lots/{lot}/entries/{entry_id}/move", "POST"),
    ("/api/lots/{lot}/labels", "GET"),
    ("/api/stock", "GET"),
    ("/api/stock/{row_id}", "POST"),
    ("/api/due", "GET"),
    ("/api/due/{due_id}", "POST"),
    ("/api/reminders", "POST"),
    ("/api/calendar", "GET"),
    ("/api/calendar", "POST"),
    ("/api/alerts", "GET"),
    ("/api/alerts/{alert_id}/acknowledge", "POST"),
    ("/api/alerts/{alert_id}/put-off", "POST"),
    ("/api/alerts/{alert_id}/recall", "POST"),
    ("/api/messages/undelivered", "GET"),
    ("/api/sensors", "GET"),
    ("/api/sensors/{sensor}/readings/{at}/set-aside", "POST"),
    ("/api/sensors/{sensor}/readings/{at}/set-aside", "DELETE"),
    ("/api/quarantine", "GET"),
]


@pytest.mark.parametrize(
    "mode", [GenerationMode.POSITIVE, GenerationMode.NEGATIVE], ids=["fitting", "unfitting"]
)
@pytest.mark.parametrize(("path", "method"), OPERATIONS)
def test_every_answer_is_as_described(pages_over: Over, path: str, method: str, mode: GenerationMode) -> None:
    application = pages_over().client.app
    described = schemathesis.openapi.from_asgi(
        "/api/openapi.json", application, headers={"Host": "localhost"}
    )
    operation = described[path][method]
    answers = []

    @settings(max_examples=25, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
    @given(case=operation.as_strategy(generation_mode=mode))
    def conforms(case: schemathesis.Case) -> None:
        if mode is GenerationMode.POSITIVE and "lot" in (case.path_parameters or {}):
            case.path_parameters["lot"] = "Garage kit"  # a name made up at random would only ever be missing
        elif mode is GenerationMode.POSITIVE and path == "/api/laid-over":
            case.query["lot"] = ["Garage kit", "Hillside red"]
        answer = case.call(base_url="http://localhost")
        case.validate_response(answer, checks=CHECKS)
        answers.append(answer.status_code)

    try:
        conforms()
    except Unsatisfiable:
        assert mode is GenerationMode.NEGATIVE, "what takes nothing cannot be given anything wrong"
    else:
        assert answers
        if mode is GenerationMode.POSITIVE and method == "GET":
            assert 200 in answers


def test_the_description_is_whole(pages_over: Over) -> None:
    document = pages_over().client.get("/api/openapi.json").json()

    assert set(document["paths"]) == {path for path, _ in OPERATIONS} | {"/api/events"}
    for path in document["paths"].values():
        for operation in path.values():
            assert operation["summary"]


def without(document: dict[str, Any], *names: str) -> dict[str, Any]:
    return {key: value for key, value in document.items() if key not in names}


def test_the_cellar_is_told_in_the_words_of_the_command(pages_over: Over) -> None:
    pages = pages_over()
    told = pages.client.get("/api/cellar").json()
    command = json.loads(json.dumps(cellar_view(pages.store, pages.settings, NOW_MS)))

    assert without(told, "alerts") == without(command, "alerts")
    by_id = {a["id"]: a for a in told["alerts"]}
    for alert in command["alerts"]:
        assert alert.items() <= by_id[alert["id"]].items()


def test_the_night_is_told_in_the_words_of_the_command(pages_over: Over) -> None:
    pages = pages_over()
    told = pages.client.get("/api/night").json()
    command = json.loads(json.dumps(night_view(pages.store, pages.settings, NOW_MS)))

    assert [without(row, "earlier", "usual_swing") for row in told["vessels"]] == command["vessels"]
    assert told["from"] == command["from"]


def test_an_entry_written_by_a_program_is_in_the_book(pages_over: Over) -> None:
    client = pages_over().client
    body = {"kind": "measure", "gravity": 1.001, "celsius": "66F", "at": "2026-10-24T05:00:00+02:00"}

    answer = client.post("/api/lots/Garage%20kit/entries", json=body)

    assert answer.status_code == 201
    line = next(
        e
        for e in client.get("/api/lots/Garage%20kit").json()["timeline"]
        if e.get("id") == answer.json()["id"]
    )
    assert line["at"] == "2026-10-24T03:00:00+00:00"
    assert line["standing"] == "holds"
    assert client.delete(f"/api/lots/Garage%20kit/entries/{line['id']}").status_code == 200
    assert client.delete(f"/api/lots/Garage%20kit/entries/{line['id']}").status_code == 404


def test_a_gate_refuses_programs_too_and_says_why(pages_over: Over) -> None:
    client = pages_over().client

    answer = client.post("/api/lots/Garage%20kit/entries", json={"kind": "bottle", "bottles": 28})

    assert answer.status_code == 409
    assert answer.json()["refusals"][0]["can_be_overruled"] is True


def test_programs_are_refused_what_people_are_and_told_which_sensors_hear_a_wine(pages_over: Over) -> None:
    client = pages_over().client
    entries = "/api/lots/Garage%20kit/entries"

    sulfite = client.post(entries, json={"kind": "add", "what": "metabisulfite", "amount": "1900g"})
    wrong_lot = client.post(entries, json={"kind": "measure", "gravity": 1.090, "celsius": 20})
    racked = client.post(entries, json={"kind": "rack", "to": "big carboy", "no_float": True})

    assert "over-the-so2-limit" in [r["reason"] for r in sulfite.json()["refusals"]]
    assert wrong_lot.status_code == 409
    assert racked.status_code == 201, racked.text
    assert any(line.startswith("Left in garage bucket: kit-float") for line in racked.json()["remarks"])


@pytest.mark.parametrize(
    "body",
    [
        {"kind": "bottle", "bottle": 28},
        {"kind": "brew"},
        {"kind": "measure", "gravity": "wet"},
        [],
        "x",
        None,
    ],
)
def test_what_cannot_be_read_is_said_by_its_field(pages_over: Over, body: Any) -> None:
    answer = pages_over().client.post("/api/lots/Garage%20kit/entries", json=body)

    assert answer.status_code == 422
    assert answer.json()["detail"]


def test_curves_are_asked_for_with_an_offset(pages_over: Over) -> None:
    client = pages_over().client

    told = client.get(
        "/api/lots/Garage%20kit/curves", params={"from": "2026-10-20T00:00:00+02:00", "points": 100}
    )
    assert told.status_code == 200
    assert told.json()["from"] == "2026-10-19T22:00:00+00:00"
    assert max(len(s["gravity"]["at"]) for s in told.json()["sensors"]) <= 100
    assert (
        client.get("/api/lots/Garage%20kit/curves", params={"from": "2026-10-20T00:00:00"}).status_code == 409
    )


def test_a_body_that_is_not_said_to_be_json_is_not_taken(pages_over: Over) -> None:
    pages = pages_over()
    before = len(pages.store.book.entries())

    answer = pages.client.post(
        "/api/lots/Garage%20kit/entries",
        content=b'{"kind": "note", "text": "x"}',
        headers={"Content-Type": "text/plain"},
    )

    assert answer.status_code == 422
    assert len(pages.store.book.entries()) == before
