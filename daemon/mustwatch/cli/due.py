"""``mustwatch due``: what is due over all lots; done, put off or dropped."""

from typing import Annotated

import typer

from mustwatch.cellar.book import WHOLE_CELLAR, Act, EntryKind
from mustwatch.cli.hand import AsJson, hand
from mustwatch.cli.opening import now_ms, opened_store, settings_or_fail
from mustwatch.cli.output import ExitCode, emit_json, fail, say

app = typer.Typer(add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False)

OF_IT = "What has this id, as mustwatch due shows it: "


@app.command()
def due(
    week: Annotated[bool, typer.Option("--week", help="With what will be due within seven days.")] = False,
    everything: Annotated[
        bool, typer.Option("--all", help="With all that is to come, and what it waits for.")
    ] = False,
    done: Annotated[str | None, typer.Option("--done", metavar="ID", help=OF_IT + "it is done.")] = None,
    put_off: Annotated[
        str | None, typer.Option("--put-off", metavar="ID", help=OF_IT + "not before --until.")
    ] = None,
    drop: Annotated[
        str | None, typer.Option("--drop", metavar="ID", help=OF_IT + "it does not come again.")
    ] = None,
    until: Annotated[
        str | None, typer.Option("--until", metavar="DAY", help="2027-03-01, tomorrow, sat, 'in 3 weeks'.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Show what is due over all lots: steps, rounds and reminders of your own, in the order of need."""
    said = [(Act.DONE, done), (Act.PUT_OFF, put_off), (Act.DROPPED, drop)]
    given = [(act, thing) for act, thing in said if thing is not None]
    if len(given) > 1:
        fail("--done, --put-off and --drop exclude each other", ExitCode.WRONG_INPUT)
    if given:
        _attend(*given[0], until, as_json=as_json)
        return
    from mustwatch.views.due import WEEK_DAYS, due_view

    settings = settings_or_fail()
    with opened_store(settings) as store:
        document = due_view(store, settings, now_ms(), None if everything else WEEK_DAYS if week else 0)
    if as_json:
        emit_json(document)
        return
    for row in document["due"]:
        where = f"{row['lot']}{' in ' + row['vessel'] if row['vessel'] else ''}: " if row["lot"] else ""
        say(f"{row['id']}  {where}{row['do']} ({row['when']})")
        if row["first"]:
            say(f"          First: {', '.join(row['first'])}")
    if not document["due"]:
        say("Nothing is due." if not week else "Nothing is due within a week.")


def _attend(act: Act, thing_id: str, until: str | None, *, as_json: bool) -> None:
    from mustwatch.views.due import due_things

    with hand(as_json=as_json) as who:
        known = due_things(who.recorder.store, who.settings, who.recorder.now_ms)
        thing = next((t for t in known if t.id == thing_id.casefold()), None)
        if thing is None:
            fail(
                f"nothing that is due has the id {thing_id!r}; expected one that mustwatch due --all shows",
                ExitCode.WRONG_INPUT,
            )
        lot, at_ms = thing.lot or WHOLE_CELLAR, who.recorder.now_ms
        what = who.what(EntryKind.ATTEND, lot, at_ms, item=thing.item, act=act.value, until=until)
        who.take(lot, at_ms, what)
