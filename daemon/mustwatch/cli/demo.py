"""``mustwatch demo``: three weeks of an invented cellar in a minute."""

import logging
import os
import tempfile
import textwrap
import time
from contextlib import ExitStack
from pathlib import Path
from typing import Annotated
from zoneinfo import ZoneInfo

import typer

from mustwatch.cli.output import MARKS, fail, say

app = typer.Typer(add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False)

WEB_PORT = 8714


@app.command()
def demo(
    leave: Annotated[bool, typer.Option("--exit", help="End when the three weeks are over.")] = False,
    seconds: Annotated[float, typer.Option(help="How long the three weeks take.", min=1.0)] = 60.0,
    seed: Annotated[int, typer.Option(help="Of all chance in it.")] = 7,
    keep: Annotated[
        Path | None, typer.Option(metavar="FOLDER", help="Keep the store here (default: thrown away).")
    ] = None,
) -> None:
    """Live three weeks of an invented cellar in a minute: broker, daemon, alerts, night review, page."""
    try:
        import amqtt.broker  # noqa: F401

        import mustsim.cellar  # noqa: F401
    except ImportError as error:
        fail(f"the demo needs the extra parts ({error.name} is missing): pip install 'mustwatch[demo]'")
    logging.basicConfig(level=logging.WARNING, format="%(levelname)s %(message)s")
    with ExitStack() as stack:
        if keep is not None:
            folder = keep
            folder.mkdir(parents=True, exist_ok=True)
            if (folder / "cellar.db").exists():
                fail(f"{folder} holds a demo's store already: name another folder, or remove that one")
        else:
            folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="mustwatch-demo-")))
        _run(stack, folder, seconds, seed, leave)


def _run(stack: ExitStack, folder: Path, seconds: float, seed: int, leave: bool) -> None:
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    from mustwatch.alerting.alert import Alert
    from mustwatch.cellar.instant import from_ms
    from mustwatch.config.settings import load
    from mustwatch.demo import Demo, free_port
    from mustwatch.store.store import Store

    demo = Demo(folder, seconds, seed, free_port(WEB_PORT))
    os.environ["MUSTWATCH_CONFIG"] = str(demo.config)
    settings = load(demo.config)
    zone = ZoneInfo(settings.cellar.timezone)
    say(
        "An invented cellar: four lots that nobody ever made, three weeks in a minute. Nothing leaves this machine."
    )
    say(f"Pages: http://127.0.0.1:{settings.web.port}/")
    say()
    demo.start(settings)
    stack.callback(demo.stop)
    store = Store(folder / "cellar.db", time.time_ns() // 1_000_000)
    stack.callback(store.close)
    bar = Progress(TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn(), transient=True)
    with bar:
        task = bar.add_task("pitching", total=1.0)

        def tell(alert: Alert) -> None:
            at = from_ms(alert.opened_ms).astimezone(zone).strftime("%a %d %b %H:%M")
            line = f"{at}  {MARKS[alert.severity.value]} {alert.summary}"
            folded = textwrap.fill(line, bar.console.width, subsequent_indent=" " * 21)
            bar.console.print(folded, highlight=False, markup=False)

        for progress in demo.play(store, tell):
            day = from_ms(progress.at_ms).astimezone(zone).strftime("%a %d %b")
            bar.update(task, completed=progress.share, description=day)
    _show_where_it_stands(store)
    say()
    say("Look further while this runs, in another terminal:")
    say(f"  export MUSTWATCH_CONFIG={demo.config}")
    say("  mustwatch cellar | mustwatch alerts --all | mustwatch night | mustwatch book LOT")
    say(f"or open http://127.0.0.1:{settings.web.port}/ in a browser.")
    if leave:
        return
    say("Ctrl-C ends the demo.")
    try:
        while demo.is_alive():
            time.sleep(0.5)
    except KeyboardInterrupt:
        say()
        return
    fail("the daemon ended; the lines above say why")


def _show_where_it_stands(store: object) -> None:
    from mustwatch.cli.cellar import cellar
    from mustwatch.cli.night import night

    say()
    say("Last night:")
    night(None, as_json=False)
    say()
    say("The cellar now:")
    cellar(as_json=False)
