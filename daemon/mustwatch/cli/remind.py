"""``mustwatch remind``: be reminded of something on a day, and again."""

from typing import Annotated

import typer

from mustwatch.cellar.book import WHOLE_CELLAR, EntryKind
from mustwatch.cli.hand import AsJson, hand

app = typer.Typer(add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False)


@app.command()
def remind(
    text: Annotated[str, typer.Argument(metavar="TEXT", help="Of what, in your own words.")],
    lot: Annotated[
        str | None, typer.Option("--lot", metavar="LOT", help="The lot it is about (else the whole cellar).")
    ] = None,
    on: Annotated[
        str | None, typer.Option("--on", metavar="DAY", help="2027-03-01, tomorrow, sat, 'in 3 weeks'.")
    ] = None,
    every: Annotated[
        str | None, typer.Option("--every", metavar="SPAN", help="And again: '6 weeks', '2 months', year.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Set a reminder: mustwatch due shows it on its day, and the morning's message tells it."""
    with hand(as_json=as_json) as who:
        of, at_ms = WHOLE_CELLAR if lot is None else lot, who.recorder.now_ms
        who.take(of, at_ms, who.what(EntryKind.REMIND, of, at_ms, text=text, on=on, every=every))
