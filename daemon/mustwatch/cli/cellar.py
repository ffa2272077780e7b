"""``mustwatch cellar``: how every vessel stands now, and what comes next."""

import time
from collections.abc import Mapping, Sequence
from typing import Annotated, Any

import typer

from mustwatch.cellar.instant import HOUR_MS, to_ms
from mustwatch.cellar.measures import Measures, counted
from mustwatch.cli.opening import now_ms, opened_store, settings_or_fail, settle
from mustwatch.cli.output import ExitCode, can_show, curve_columns, emit_json, fail, is_screen, say, say_alert
from mustwatch.config.plan import measures_of
from mustwatch.config.settings import Settings
from mustwatch.views.need import alerts_of, by_need
from mustwatch.views.text_curve import BARS, text_curve

app = typer.Typer(add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False)

OLD_MS = 3 * HOUR_MS
"""A value older than this is said to be old: silence is not good news."""
ANEW_S = 15.0
CLEAR = "\033[H\033[2J\033[3J"
"""Moves home and clears the screen (ECMA-48)."""


@app.command()
def cellar(
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
    watch: Annotated[
        bool, typer.Option("--watch", help="Show it anew every quarter of a minute; Ctrl-C ends it.")
    ] = False,
) -> None:
    """Show how every vessel stands now, the one that needs you most first, and what comes next."""
    settings = settings_or_fail()
    if watch and (as_json or not is_screen()):
        fail("--watch is for a terminal: without it the cellar is shown once", ExitCode.WRONG_INPUT)
    try:
        while True:
            document, curves = _looked_at(settings, 0 if as_json or not can_show(BARS) else curve_columns())
            if watch:
                typer.echo(CLEAR, nl=False)
            if as_json:
                emit_json(document)
            else:
                _say_cellar(document, curves, measures_of(settings))
            if not watch:
                return
            time.sleep(ANEW_S)
    except KeyboardInterrupt:
        say()


def _looked_at(settings: Settings, columns: int) -> tuple[dict[str, Any], dict[str, str]]:
    """Return the cellar, and for each lot its fall in ``columns`` bars."""
    from mustwatch.views.cellar import cellar_view

    with opened_store(settings) as store:
        settle(store, settings)
        document = cellar_view(store, settings, now_ms())
        curves, measures = {}, measures_of(settings)
        for row in document["vessels"] if columns else ():
            if row["lot"] is not None:
                drawn = text_curve(
                    store, row["lot"], to_ms(measures.local(row["started_at"])), now_ms(), columns
                )
                if drawn is not None:
                    curves[row["lot"]] = drawn
    return document, curves


def _say_cellar(document: dict[str, Any], curves: dict[str, str], measures: Measures) -> None:
    if not document["vessels"]:
        say("No vessels yet. Name them in the configuration as [[vessel]], then begin a lot with")
        say("  mustwatch record start LOT --vessel VESSEL --gravity 1.090 --celsius 20")
        return
    in_vessels = {row["vessel"]: alerts_of(row, document["alerts"]) for row in document["vessels"]}
    elsewhere = [a for a in document["alerts"] if not any(a in about for about in in_vessels.values())]
    for alert in elsewhere:
        say_alert(alert, alert["summary"])
    if document["alerts"]:
        say(f"{counted(len(document['alerts']), 'alert')}: mustwatch alerts says what to do")
        say()
    for caution in document["cautions"]:
        say(f"Caution: {caution}")
    for remark in document["remarks"]:
        say(f"Not set up yet: {remark}")
    for row in by_need(document["vessels"], document["alerts"]):
        _say_vessel(row, in_vessels[row["vessel"]], curves.get(row["lot"] or ""), measures)


def _say_vessel(
    row: Mapping[str, Any], alerts: Sequence[Mapping[str, Any]], curve: str | None, measures: Measures
) -> None:
    say(f"{row['vessel']}: " + ("empty" if row["lot"] is None else f"{row['lot']} ({row['stage']})"))
    for alert in alerts:
        say_alert(alert, alert["summary"], indent=2)
    if row["lot"] is None:
        return
    if curve is not None:
        say(f"    {curve}")
    if row["unwatched"] is not None:
        say(f"    nobody watches this lot: {row['unwatched']}")
    if row["evaluated_until"] is not None:
        until = measures.moment(row["evaluated_until"])
        say(f"    being evaluated again, so far up to {until}: figures and forecast may change")
    if row["gravity"] is None and row["celsius"] is None:
        say("    nothing measured yet")
    else:
        at, rate, sd, celsius = row["gravity"], row["rate_per_day"], row["gravity_sd"], row["celsius"]
        falling = f", {measures.gravity_change(rate, at, 4, sign=True)} a day" if rate is not None else ""
        sure = f" ±{measures.gravity_change(sd, at, 4)}" if sd is not None else ""
        parts = [f"gravity {measures.gravity(at, 4)}{sure}{falling}", measures.temperature(celsius)]
        if row["abv_percent"] is not None:
            parts.append(f"about {row['abv_percent']:.1f} % vol so far")
        say("    " + "   ".join(parts))
        say(f"    as of {measures.moment(row['observed_at'])}{_old(row, measures)}")
    for name, words in (("rack_at", "racking due about"), ("finish_at", "finished about")):
        expected = row[name]
        if expected is not None:
            first, last = measures.day(expected["earliest"]), measures.day(expected["latest"])
            say(f"    {words} {measures.moment(expected['at'])} (between {first} and {last})")
    for step in row["next"]:
        say(f"    next: {step['do']}" + (f" ({step['when']})" if step.get("when") else ""))
    for reminder in row["remember"]:
        say(f"    remember: {reminder['do']}")


def _old(row: Mapping[str, Any], measures: Measures) -> str:
    old_ms = now_ms() - to_ms(measures.local(row["observed_at"]))
    return f": {measures.span(old_ms)} ago" if old_ms > OLD_MS else ""
