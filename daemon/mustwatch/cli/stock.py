"""``mustwatch stock``: the bottles there are; opened, given away or lost."""

from typing import Annotated, Any

import typer

from mustwatch.cellar.book import BottleFate, EntryKind
from mustwatch.cli.hand import AsJson, At, hand
from mustwatch.cli.opening import now_ms, opened_store, settings_or_fail
from mustwatch.cli.output import ExitCode, emit_json, fail, say

app = typer.Typer(add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False)

OF_IT = "Of the bottling of this id, as mustwatch stock shows it, "


@app.command()
def stock(
    opened: Annotated[
        str | None, typer.Option("--open", metavar="ID", help=OF_IT + "one was opened.")
    ] = None,
    given: Annotated[
        str | None, typer.Option("--give", metavar="ID", help=OF_IT + "one was given away.")
    ] = None,
    lost: Annotated[
        str | None, typer.Option("--lose", metavar="ID", help=OF_IT + "one broke, or is gone.")
    ] = None,
    bottles: Annotated[str, typer.Option("--bottles", metavar="COUNT", help="How many, if not one.")] = "1",
    note: Annotated[
        str | None,
        typer.Option("--note", metavar="TEXT", help="How it tasted, to whom it went, why it is gone."),
    ] = None,
    everything: Annotated[
        bool, typer.Option("--all", help="With bottlings of which nothing is left.")
    ] = False,
    at: At = "now",
    as_json: AsJson = False,
) -> None:
    """Show what bottles there are, by wine and year, and when to drink them."""
    said = [(BottleFate.OPENED, opened), (BottleFate.GIVEN, given), (BottleFate.LOST, lost)]
    taken = [(fate, row) for fate, row in said if row is not None]
    if len(taken) > 1:
        fail("--open, --give and --lose exclude each other", ExitCode.WRONG_INPUT)
    if taken:
        _take(*taken[0], bottles, note, at, as_json=as_json)
        return
    from mustwatch.views.stock import stock_view

    settings = settings_or_fail()
    with opened_store(settings) as store:
        document = stock_view(store, settings, now_ms())
    if as_json:
        emit_json(document)
        return
    for wine in document["wines"]:
        if wine["left"] or everything:
            say(f"{wine['lot']}, {wine['year']}: {wine['left']} of {wine['bottles']} bottles left")
            for row in document["bottlings"]:
                if (row["lot"], row["year"]) == (wine["lot"], wine["year"]) and (row["left"] or everything):
                    say(f"  {row['id'][:6]}  {_line(row)}")
    if not any(wine["left"] for wine in document["wines"]):
        say("No bottles are left." if document["wines"] else "Nothing has been bottled yet.")


def _line(row: dict[str, Any]) -> str:
    parts = [f"{row['left']} of {row['bottle_ml']:g} mL, filled {row['bottled_at'][:10]}"]
    parts += [str(row["closure"])] if row["closure"] else []
    parts += [f"{row['abv_percent']:.1f} % vol"] if row["abv_percent"] is not None else []
    parts += [f"drink {row['when']}"] if row["when"] else []
    return ", ".join(parts)


def _take(fate: BottleFate, row_id: str, bottles: str, note: str | None, at: str, *, as_json: bool) -> None:
    from mustwatch.cellar.stock import stock as rows_of

    with hand(as_json=as_json) as who:
        rows = [r for r in rows_of(who.recorder.entries) if r.id.startswith(row_id.casefold())]
        if len(rows) != 1:
            fail(
                f"{len(rows) or 'no'} bottlings have an id beginning with {row_id!r}; expected one that "
                "mustwatch stock --all shows",
                ExitCode.WRONG_INPUT,
            )
        lot, at_ms = rows[0].entry.lot, who.at_ms(at)
        what = who.what(
            EntryKind.STOCK, lot, at_ms, bottling=rows[0].id, bottles=bottles, fate=fate.value, text=note
        )
        who.take(lot, at_ms, what)
        if not as_json:
            say(f"{rows[0].left - int(bottles)} of it are left.")
