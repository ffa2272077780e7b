"""``mustwatch whatif``: when a lot is to be racked and ends if its must is kept warmer or cooler from now on."""

from typing import Annotated, Any

import typer

from mustwatch.cellar.measures import Measures
from mustwatch.cellar.naming import unknown_lot
from mustwatch.cli.opening import now_ms, opened_store, settings_or_fail, settle
from mustwatch.cli.output import ExitCode, emit_json, fail, say
from mustwatch.config.plan import measures_of
from mustwatch.must.bounds import OutOfRangeError
from mustwatch.recording.units import UnitError, temperature_c
from mustwatch.recording.when import WhenError, end_of_day

app = typer.Typer(add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False)


@app.command()
def whatif(
    lot: Annotated[str, typer.Argument(metavar="LOT", help="The lot.")],
    celsius: Annotated[
        str | None,
        typer.Option("--celsius", metavar="T", help="The must's temperature from now on: 18, 18C, 64F."),
    ] = None,
    by: Annotated[
        str | None,
        typer.Option("--by", metavar="DATE", help="Only the courses that may end by then: 2026-10-12."),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Say when a lot is to be racked and ends if its must is kept at another temperature from now on."""
    from mustwatch.views.whatif import BeyondKnownError, NoForecastError, whatif_view

    settings = settings_or_fail()
    measures = measures_of(settings)
    try:
        asked_c = None if celsius is None else temperature_c("--celsius", celsius)
        by_ms = None if by is None else end_of_day(by, now_ms(), measures.zone)
    except (UnitError, OutOfRangeError, WhenError) as wrong:
        fail(str(wrong), ExitCode.WRONG_INPUT)
    with opened_store(settings) as store:
        settle(store, settings)
        try:
            document = whatif_view(store, settings, lot, now_ms(), asked_c, by_ms)
        except NoForecastError as error:
            is_wrong = isinstance(error, BeyondKnownError)
            fail(str(error), ExitCode.WRONG_INPUT if is_wrong else ExitCode.COULD_NOT)
        if document is None:
            fail(unknown_lot(lot, store.book.history().lots), ExitCode.WRONG_INPUT)
    if as_json:
        emit_json(document)
        return
    for line in _lines(document, measures):
        say(line)
    say(f"In brackets what holds nine times in ten. {document['caution']}")


def _lines(document: dict[str, Any], measures: Measures) -> list[str]:
    """Return the answer as lines: as it is, as asked, and by each temperature of the lot's band."""
    rows = [("kept as it is", document["as_it_is"])]
    if document["asked"] is not None:
        rows.append(("from now on", document["asked"]))
    courses = [c for c in document["courses"] if c["ends_in_time"] != "hardly"]
    rows += [("", course) for course in courses]
    gravity = "" if document["gravity"] is None else f", gravity {measures.gravity(document['gravity'], 4)}"
    lines = [f"{document['lot']}{gravity}, as of {measures.moment(document['observed_at'])}"]
    for words, course in rows:
        told = [f"{words:13} {measures.temperature(course['celsius']):>7}"]
        told += [
            f"{name} {_days(course[key], measures)}"
            for key, name in (("rack_at", "racking"), ("finish_at", "end"))
            if course[key] is not None
        ]
        if course["ends_in_time"] is not None:
            told.append(f"{course['ends_in_time']} by {measures.day(document['by'])}")
        lines.append("    " + "   ".join(told))
    if not courses:
        lines.append("    no temperature of its band lets it end by then")
    return lines


def _days(expected: dict[str, str], measures: Measures) -> str:
    at, earliest, latest = (measures.day(expected[name]) for name in ("at", "earliest", "latest"))
    return f"{at} ({earliest} to {latest})"
