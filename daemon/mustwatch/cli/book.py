"""``mustwatch book``: the cellar record of a lot, on screen, on paper, as JSON, and from another machine."""

import json
from pathlib import Path
from typing import Annotated

import typer

from mustwatch.cellar.book import WHOLE_CELLAR
from mustwatch.cellar.naming import unknown_lot
from mustwatch.cli import person
from mustwatch.cli.hand import refused
from mustwatch.cli.opening import now_ms, opened_store, settings_or_fail
from mustwatch.cli.output import ExitCode, emit_json, fail, say
from mustwatch.config.plan import measures_of
from mustwatch.config.settings import Settings
from mustwatch.store.store import Store

app = typer.Typer(add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False)


@app.command()
def book(
    lot: Annotated[
        str | None, typer.Argument(metavar="[LOT]", help="The lot; without one, all are listed.")
    ] = None,
    html: Annotated[
        Path | None,
        typer.Option("--html", metavar="FILE", help="Write the printable page (A4), - for stdout."),
    ] = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print one JSON document, which --import reads.")
    ] = False,
    import_file: Annotated[
        Path | None,
        typer.Option(
            "--import",
            metavar="FILE",
            help="Take over a record that --json wrote (as LOT, if given), or export --what book.",
        ),
    ] = None,
) -> None:
    """Show the cellar book of a lot."""
    settings = settings_or_fail()
    with opened_store(settings, create=import_file is not None) as store:
        if import_file is not None:
            _take_over(store, settings, import_file, lot)
        elif lot is None:
            _list(store, settings, as_json=as_json)
        else:
            _show(store, settings, lot, html, as_json=as_json)


def _list(store: Store, settings: Settings, *, as_json: bool) -> None:
    from mustwatch.views.lot import lots_view

    measures = measures_of(settings)
    rows = lots_view(store, settings, now_ms())[::-1]
    if as_json:
        emit_json([{key: row[key] for key in ("lot", "stage", "vessel")} for row in rows])
        return
    if not rows:
        say("The book is empty. Begin a lot with")
        say("  mustwatch record start LOT --vessel VESSEL --gravity 1.090 --celsius 20")
    for row in rows:
        where = f" in {row['vessel']}" if row["vessel"] is not None else ""
        say(f"{row['lot']}: {row['stage']}{where}, begun {measures.full_day(row['started_at'])}")


def _show(store: Store, settings: Settings, lot: str, html: Path | None, *, as_json: bool) -> None:
    from mustwatch.cli.book_text import book_lines
    from mustwatch.views.book import page_of, record_json, record_of

    record = record_of(store, settings, lot, now_ms())
    if record is None:
        fail(unknown_lot(lot, store.book.history().lots), ExitCode.WRONG_INPUT)
    if html is not None:
        page = page_of(store, settings, record, now_ms())
        if str(html) == "-":
            say(page)
            return
        try:
            with person.writing(html) as file:
                file.write(page.encode())
        except OSError as error:
            fail(f"{html}: {error.strerror}; give a file that can be written")
        if not as_json:
            say(f"{html}: the record of {lot}, to open or print")
            return
    if as_json:
        emit_json(record_json(record))
        return
    for line in book_lines(record, settings):
        say(line)


def _take_over(store: Store, settings: Settings, file: Path, lot: str | None) -> None:
    from mustwatch.recording.recorder import Recorder, RefusedError
    from mustwatch.views.book import UnreadableRecordError, entries_of

    try:
        text = typer.get_text_stream("stdin").read() if str(file) == "-" else person.text_of(file)
        entries = entries_of(json.loads(text), lot)
    except OSError as error:
        fail(
            f"{file}: {error.strerror}; expected a file that mustwatch book LOT --json wrote",
            ExitCode.WRONG_INPUT,
        )
    except (ValueError, RecursionError) as error:
        what = (
            str(error) if isinstance(error, UnreadableRecordError) else "not JSON; expected what --json wrote"
        )
        fail(f"{file}: {what}", ExitCode.WRONG_INPUT)
    recorder = Recorder(store, settings, now_ms())
    try:
        news = recorder.take_over(entries)
    except RefusedError as error:
        refused(error, settings)
    lots = list(dict.fromkeys(e.lot for e in entries if e.lot != WHOLE_CELLAR))
    known = len(entries) - len(news.fresh)
    name = lots[0] if len(lots) == 1 else f"{len(lots)} lots"
    say(f"{name}: {len(news.fresh)} entries taken over" + (f", {known} were here already" if known else ""))
    if news.undone:
        say(f"Undone there, and now here too: {len(news.undone)}")
    for lot_name in lots:
        history = recorder.history.lots.get(lot_name)
        vessel = None if history is None else history.vessel
        if vessel is not None and vessel not in recorder.plan.vessels:
            say(
                f"Its vessel {vessel!r} is not in this configuration: add it as a [[vessel]] to go on with "
                f"{'the lot' if len(lots) == 1 else lot_name}"
            )
