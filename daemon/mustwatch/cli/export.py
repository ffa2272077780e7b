"""``mustwatch export``: readings as CSV, line protocol or Parquet."""

import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from enum import StrEnum
from pathlib import Path
from typing import IO, TYPE_CHECKING, Annotated
from zoneinfo import ZoneInfo

import typer

from mustwatch.cli import person
from mustwatch.cli.opening import now_ms, opened_store, settings_or_fail
from mustwatch.cli.output import ExitCode, fail, remark
from mustwatch.cli.progress import progress

if TYPE_CHECKING:
    from mustwatch.config.settings import Settings
    from mustwatch.export import Wanted
    from mustwatch.store.store import Store

app = typer.Typer(add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False)


class Format(StrEnum):
    """What is written."""

    CSV = "csv"
    LINES = "lines"
    PARQUET = "parquet"
    JSON = "json"


class What(StrEnum):
    """What is carried away."""

    READINGS = "readings"
    BOOK = "book"
    STOCK = "stock"


CARRIED = {
    What.READINGS: (Format.CSV, Format.LINES, Format.PARQUET),
    What.BOOK: (Format.CSV, Format.JSON),
    What.STOCK: (Format.CSV, Format.JSON),
}
"""In which formats it goes."""


@app.command()
def export(
    as_format: Annotated[
        Format,
        typer.Option(
            "--format",
            help="csv: one row per reading; lines: all as InfluxDB line protocol; parquet: as csv, typed; json.",
        ),
    ] = Format.CSV,
    what: Annotated[
        What, typer.Option("--what", help="readings; book: every entry of every lot; stock: the bottlings.")
    ] = What.READINGS,
    lot: Annotated[str | None, typer.Option(help="Only what belongs to this lot.")] = None,
    since: Annotated[str | None, typer.Option(help="From when on, as 2026-09-01 or '3d ago'.")] = None,
    until: Annotated[str | None, typer.Option(help="Until when (not included).")] = None,
    out: Annotated[Path | None, typer.Option(help="The file to write; else standard output.")] = None,
) -> None:
    """Write what the store holds to a file or to standard output, while the daemon runs or not."""
    from mustwatch.cellar.naming import unknown_lot
    from mustwatch.config.plan import plan_of
    from mustwatch.export import Export, NoParquetError, Wanted, text_stream
    from mustwatch.store.mirror_lines import Lines

    settings = settings_or_fail()
    if as_format not in CARRIED[what]:
        fail(f"--what {what} goes as {' or '.join(CARRIED[what])}, not as {as_format}", ExitCode.WRONG_INPUT)
    if what is not What.READINGS:
        if (lot, since, until) != (None, None, None):
            fail(
                f"--lot, --since and --until are for readings; --what {what} is written whole",
                ExitCode.WRONG_INPUT,
            )
        _carry(settings, what, as_format, out)
        return
    zone = ZoneInfo(settings.cellar.timezone)
    wanted = Wanted(
        lot,
        _instant("--since", since, zone, Wanted().since_ms),
        _instant("--until", until, zone, Wanted().until_ms),
    )
    with (
        opened_store(settings) as store,
        _opened(out, as_format) as stream,
        _shown(store, wanted, beside_a_screen=out is None and sys.stdout.isatty()) as advance,
    ):
        if lot is not None and lot not in (lots := store.book.history().lots):
            fail(unknown_lot(lot, lots), ExitCode.WRONG_INPUT)
        exported = Export(store, plan_of(settings), wanted, advance)
        if as_format is Format.PARQUET:
            try:
                count = exported.parquet(stream)
            except NoParquetError as error:
                fail(str(error))
        else:
            text = text_stream(stream)
            site = settings.influx.site if settings.influx is not None else "home"
            lines = Lines(site, settings.cellar.name)
            count = exported.csv(text) if as_format is Format.CSV else exported.lines(text, lines)
            text.flush()
            text.detach()
    if out is not None:
        remark(f"{count} {'readings' if as_format is not Format.LINES else 'points'} written to {out}")


def _carry(settings: "Settings", what: What, as_format: Format, out: Path | None) -> None:
    """Write the book or the stock."""
    from mustwatch.export import text_stream
    from mustwatch.views.carried import book_csv, stock_csv, whole_book
    from mustwatch.views.stock import stock_view

    with opened_store(settings) as store, _opened(out, as_format) as stream:
        text = text_stream(stream)
        if as_format is Format.CSV and what is What.BOOK:
            book_csv(store, settings, text)
        elif as_format is Format.CSV:
            stock_csv(store, settings, now_ms(), text)
        else:
            document = (whole_book if what is What.BOOK else stock_view)(store, settings, now_ms())
            json.dump(document, text, ensure_ascii=False, indent=2)
            text.write("\n")
        text.flush()
        text.detach()
    if out is not None:
        remark(f"the {what} written to {out}")


@contextmanager
def _shown(store: "Store", wanted: "Wanted", *, beside_a_screen: bool) -> Iterator[Callable[[int], None]]:
    """Show how far it is, unless the rows themselves go to the screen."""
    if beside_a_screen:
        yield lambda _reached_ms: None
        return
    first_ms = store.readings.first_ms(wanted.since_ms) or now_ms()
    with progress("exporting", max(min(wanted.until_ms, now_ms()) - first_ms, 1)) as advance:
        yield lambda reached_ms: advance(reached_ms - first_ms)


def _instant(option: str, text: str | None, zone: ZoneInfo, default: int) -> int:
    from mustwatch.recording.when import WhenError, when

    if text is None:
        return default
    try:
        return when(text if len(text) != len("2026-09-01") else f"{text}T00:00", now_ms(), zone)
    except WhenError as error:
        fail(str(error).replace("--at", option), ExitCode.WRONG_INPUT)


@contextmanager
def _opened(out: Path | None, as_format: Format) -> Iterator[IO[bytes]]:
    """Open what is written to; a file that could not be written whole is not left behind as if it were."""
    if out is None:
        if as_format is Format.PARQUET and sys.stdout.isatty():
            fail("Parquet is not for a screen: name a file with --out", ExitCode.WRONG_INPUT)
        yield sys.stdout.buffer
        sys.stdout.buffer.flush()
        return
    try:
        with person.writing(out) as stream:
            yield stream
    except OSError as error:
        fail(f"{out}: {error.strerror or error}; check the folder and the room there")
