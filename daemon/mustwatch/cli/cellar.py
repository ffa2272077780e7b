"""``mustwatch cellar``: how every vessel stands now, and what comes next."""

from datetime import datetime
from typing import Annotated, Any

import typer

from mustwatch.cellar.measures import Measures
from mustwatch.cli.opening import now_ms, opened_store, settings_or_fail, settle
from mustwatch.cli.output import MARKS, emit_json, say
from mustwatch.config.plan import measures_of
from mustwatch.views.figures_text import local

app = typer.Typer(add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False)

OLD_HOURS = 3.0
"""A value older than this is said to be old: silence is not good news."""


@app.command()
def cellar(
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Show how every vessel stands now, and what comes next."""
    from mustwatch.views.cellar import cellar_view

    settings = settings_or_fail()
    with opened_store(settings) as store:
        settle(store, settings)
        document = cellar_view(store, settings, now_ms())
    if as_json:
        emit_json(document)
        return
    measures = measures_of(settings)
    if not document["vessels"]:
        say("No vessels yet. Name them in the configuration as [[vessel]], then begin a lot with")
        say("  mustwatch record start LOT --vessel VESSEL --gravity 1.090 --celsius 20")
        return
    for alert in document["alerts"]:
        say(f"{MARKS[alert['severity']]} {alert['summary']}")
    if document["alerts"]:
        say("  (mustwatch alerts tells more)")
        say()
    for caution in document["cautions"]:
        say(f"Caution: {caution}")
    for remark in document["remarks"]:
        say(f"Not set up yet: {remark}")
    for row in document["vessels"]:
        _say_vessel(row, measures)


def _say_vessel(row: dict[str, Any], measures: Measures) -> None:
    zone = measures.zone
    if row["lot"] is None:
        say(f"{row['vessel']}: empty")
        return
    say(f"{row['vessel']}: {row['lot']} ({row['stage']})")
    if row["unwatched"] is not None:
        say(f"    nobody watches this lot: {row['unwatched']}")
    if row["evaluated_until"] is not None:
        until = local(row["evaluated_until"], zone)
        say(f"    being evaluated again, so far up to {until}: figures and forecast may change")
    if row["gravity"] is None and row["celsius"] is None:
        say("    nothing measured yet")
    else:
        at, rate, sd, celsius = row["gravity"], row["rate_per_day"], row["gravity_sd"], row["celsius"]
        near = 1.0 if at is None else at
        falling = f", {measures.gravity_change(rate, near, 4, sign=True)} a day" if rate is not None else ""
        sure = f" ±{measures.gravity_change(sd, near, 4)}" if sd is not None else ""
        parts = [
            f"gravity {'–' if at is None else measures.gravity(at, 4)}{sure}{falling}",
            "–" if celsius is None else measures.temperature(celsius),
        ]
        if row["abv_percent"] is not None:
            parts.append(f"about {row['abv_percent']:.1f} % vol so far")
        say("    " + "   ".join(parts))
        say(f"    as of {local(row['observed_at'], zone)}{_old(row)}")
    for name, words in (("rack_at", "racking due about"), ("finish_at", "finished about")):
        expected = row[name]
        if expected is not None:
            say(
                f"    {words} {local(expected['at'], zone, '%a %d %b %H:00')}"
                f" (between {local(expected['earliest'], zone, '%a %d %b')}"
                f" and {local(expected['latest'], zone, '%a %d %b')})"
            )
    for step in row["next"]:
        say(f"    next: {step['do']}" + (f" ({step['when']})" if step.get("when") else ""))
    for reminder in row["remember"]:
        say(f"    remember: {reminder['do']}")


def _old(row: dict[str, Any]) -> str:
    hours = (now_ms() / 1000 - datetime.fromisoformat(row["observed_at"]).timestamp()) / 3600
    return f": {hours:.0f} hours ago" if hours > OLD_HOURS else ""
