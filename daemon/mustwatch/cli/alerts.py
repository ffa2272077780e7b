"""``mustwatch alerts``: what must be done or is going wrong, and acknowledging it."""

from typing import Annotated

import typer

from mustwatch.alerting.rules import tomorrow_ms
from mustwatch.alerting.wording import phrases, public
from mustwatch.cli.opening import now_ms, opened_store, settings_or_fail, settle
from mustwatch.cli.output import ExitCode, emit_json, fail, say, say_alert
from mustwatch.config.plan import plan_of
from mustwatch.config.settings import Settings
from mustwatch.store.store import Store
from mustwatch.views.alerts import (
    AlertNotKnownError,
    AlertOverError,
    acknowledge_alert,
    ids_meant,
    recall_alert,
)
from mustwatch.watch.finding import RANK

app = typer.Typer(add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False)


@app.command()
def alerts(
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
    every: Annotated[bool, typer.Option("--all", help="Past ones too.")] = False,
    ack: Annotated[
        str | None,
        typer.Option(
            "--ack",
            metavar="ID",
            help="Say that you know (of all of a vessel or lot by its name); it is not told again.",
        ),
    ] = None,
    later: Annotated[
        str | None, typer.Option("--later", metavar="ID", help="Say that you know, and ask again tomorrow.")
    ] = None,
    unack: Annotated[
        str | None, typer.Option("--unack", metavar="ID", help="Undo either: it is told again.")
    ] = None,
) -> None:
    """Show what must be done or is going wrong."""
    settings = settings_or_fail()
    with opened_store(settings) as store:
        settle(store, settings)
        _answer(store, settings, ack, later, unack)
        shown = store.alerts.recent(-(2**62)) if every else store.alerts.open()
        waiting = store.outbox.waiting()
    at_ms, units = now_ms(), plan_of(settings).rules.units
    documents = [public(alert, units, at_ms) for alert in shown]
    if as_json:
        emit_json(documents)
        return
    moment = units.measures.moment
    if not shown:
        say("Nothing has to be done." if not every else "No alerts so far.")
    for alert, shows in sorted(zip(shown, documents, strict=True), key=lambda pair: -RANK[pair[0].severity]):
        say_alert(shows, shows["summary"])
        if not alert.is_over:
            said = phrases(alert, units, at_ms)
            say(f"     {said.next}")
            if said.care:
                say(f"     Take care: {said.care}")
        since = f"since {moment(shows['opened_at'])}"
        if shows["cleared_at"] is not None:
            how = "withdrawn" if alert.is_withdrawn else alert.ended_with_lot or "over"
            since += f", {how} {moment(shows['cleared_at'])}"
        if shows["put_off_until"] is not None:
            since += f", put off until {moment(shows['put_off_until'])}"
        say(f"     {since}   id {alert.id}")
    late = [row for row in waiting if row.error is not None]
    if late:
        say(f"{len(late)} messages could not be delivered yet; the last error: {late[-1].error}")


def _answer(store: Store, settings: Settings, ack: str | None, later: str | None, unack: str | None) -> None:
    at_ms = now_ms()
    tomorrow = tomorrow_ms(at_ms, settings.cellar.night_ends, plan_of(settings).rules.units.zone)
    try:
        for name, until_ms in ((ack, None), (later, tomorrow)):
            for alert_id in [] if name is None else ids_meant(store, name):
                acknowledge_alert(store, alert_id, at_ms, until_ms)
        for alert_id in [] if unack is None else ids_meant(store, unack):
            recall_alert(store, alert_id, at_ms)
    except AlertNotKnownError as error:
        fail(str(error), ExitCode.WRONG_INPUT)
    except AlertOverError as error:
        fail(str(error))
