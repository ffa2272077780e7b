"""``mustwatch demo``: three weeks of an invented cellar in a minute."""

import logging
import os
import shlex
import socket
import sys
import tempfile
import textwrap
import time
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from mustwatch.cli.output import MARKS, ExitCode, fail, say

if TYPE_CHECKING:
    from mustwatch.demo import Demo

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
    port: Annotated[
        int | None, typer.Option(help="Of the pages (default: 8714, or another if that is taken).")
    ] = None,
    bind: Annotated[
        str, typer.Option(help="The pages' address; 0.0.0.0 shows them to the house, with a token.")
    ] = "127.0.0.1",
) -> None:
    """Live three weeks of an invented cellar in a minute: broker, daemon, alerts, night review, page."""
    try:
        import amqtt.broker  # noqa: F401

        import mustsim.cellar  # noqa: F401
    except ImportError as error:
        fail(
            f"the demo needs parts that a cellar does not ({error.name} is missing): type `make demo` in a copy of the "
            "sources, or pip install 'mustwatch[demo]'"
        )
    _refuse_taken(bind, port)
    logging.basicConfig(level=logging.WARNING, format="%(levelname)s %(message)s")
    with ExitStack() as stack:
        if keep is not None:
            folder = keep
            folder.mkdir(parents=True, exist_ok=True)
            if (folder / "cellar.db").exists():
                fail(f"{folder} holds a demo's store already: name another folder, or remove that one")
        else:
            folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="mustwatch-demo-")))
        say(
            "An invented cellar: four lots that nobody ever made, three weeks in a minute. Nothing leaves this machine."
        )
        say("Making it up ...")
        from mustwatch.demo import Demo, free_port

        demo = Demo(folder, seconds, seed, port or free_port(WEB_PORT, bind), bind)
        _run(stack, demo, leave)


def _refuse_taken(bind: str, port: int | None) -> None:
    from mustwatch.demo import is_free

    if not is_free(bind, 0):
        fail(f"--bind {bind}: no address of this machine; expected e.g. 0.0.0.0", ExitCode.WRONG_INPUT)
    if port is not None and not is_free(bind, port):
        fail(f"--port {port}: taken by another program; name another one", ExitCode.WRONG_INPUT)


def _run(stack: ExitStack, demo: "Demo", leave: bool) -> None:
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    from mustwatch.alerting.alert import Alert
    from mustwatch.config.plan import measures_of
    from mustwatch.config.settings import load
    from mustwatch.store.store import Store

    os.environ["MUSTWATCH_CONFIG"] = str(demo.config)
    settings = load(demo.config)
    measures = measures_of(settings)
    demo.start(settings)
    pages = f"http://{settings.web.bind.replace('0.0.0.0', socket.gethostname())}:{settings.web.port}/"  # noqa: S104 - replaced
    say(f"Pages: {pages}" + (f"   token: {demo.token}" if demo.token else ""))
    say()
    stack.callback(demo.stop)
    store = Store(demo.folder / "cellar.db", time.time_ns() // 1_000_000)
    stack.callback(store.close)
    bar = Progress(TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn(), transient=True)
    with bar:
        task = bar.add_task("pitching", total=1.0)

        def tell(alert: Alert) -> None:
            line = f"{measures.moment(alert.opened_ms):17}  {MARKS[alert.severity.value]} {alert.summary}"
            folded = textwrap.fill(line, bar.console.width, subsequent_indent=" " * 21)
            bar.console.print(folded, highlight=False, markup=False)

        for progress in demo.play(store, tell):
            bar.update(task, completed=progress.share, description=measures.day(progress.at_ms))
    _show_where_it_stands(store)
    say()
    say("Look further while this runs, in another terminal:")
    for words in ("cellar", "alerts --all", "night", "book"):
        say(f"  {_program()} --config {shlex.quote(str(demo.config))} {words}")
    say(f"or open {pages} in a browser.")
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


def _program() -> str:
    """Return how this program is called from another terminal, wherever that is."""
    called = Path(sys.argv[0])
    if called.name == "mustwatch":
        return shlex.quote(str(called.absolute()))
    return f"{shlex.quote(sys.executable)} -m mustwatch"


def _show_where_it_stands(store: object) -> None:
    from mustwatch.cli.cellar import cellar
    from mustwatch.cli.night import night

    say()
    say("Last night:")
    night(None, as_json=False)
    say()
    say("The cellar now:")
    cellar(as_json=False)
