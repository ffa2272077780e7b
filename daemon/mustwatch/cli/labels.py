"""``mustwatch labels``: labels of bottles and vessels, an A4 sheet to print."""

from pathlib import Path
from typing import Annotated

import typer

from mustwatch.cli import person
from mustwatch.cli.hand import Lot
from mustwatch.cli.opening import opened_store, settings_or_fail
from mustwatch.cli.output import ExitCode, fail, remark, say

app = typer.Typer(add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False)


@app.command()
def labels(
    lot: Lot,
    html: Annotated[Path, typer.Option("--html", metavar="FILE", help="The page to write, - for stdout.")],
    vessel: Annotated[bool, typer.Option("--vessel", help="For its vessel; else for bottles.")] = False,
    sheet: Annotated[
        str,
        typer.Option("--sheet", metavar="SHEET", help="3x8, 3x7, 2x7, 2x4 or 2x2: labels across and down."),
    ] = "3x7",
    count: Annotated[int | None, typer.Option("--count", help="How many; else a full sheet.")] = None,
    skip: Annotated[int, typer.Option("--skip", help="Labels of the first sheet that are used already.")] = 0,
    text: Annotated[str, typer.Option("--text", help="A line of your own.")] = "",
) -> None:
    """Write an A4 sheet of labels to print, with a QR code that leads to the lot's page."""
    from mustwatch.cellar.naming import unknown_lot
    from mustwatch.views.labels import CAUTION, LabelsError, Wanted, labels_page

    settings = settings_or_fail()
    with opened_store(settings) as store:
        lots = store.book.history().lots
        if lot not in lots:
            fail(unknown_lot(lot, lots), ExitCode.WRONG_INPUT)
        wanted = Wanted("vessel" if vessel else "bottle", sheet, count, skip, text, settings.web.base_url)
        try:
            page = labels_page(store, settings, lots[lot], wanted)
        except LabelsError as error:
            fail(f"--{error}", ExitCode.WRONG_INPUT)
    if str(html) == "-":
        say(page)
    else:
        try:
            with person.writing(html) as file:
                file.write(page.encode())
        except OSError as error:
            fail(f"{html}: {error.strerror}; give a file that can be written")
        remark(f"{html}: labels of {lot}, to open and print at 100 %")
    if settings.web.base_url is None:
        remark("No QR code: [web] base_url says by which address a phone reaches the pages")
    remark(f"Caution: {CAUTION}")
