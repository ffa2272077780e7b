"""``mustwatch run``: keep watch."""

import logging
import signal
import sys
from typing import Annotated

import typer

from mustwatch.cli.opening import settings_or_fail
from mustwatch.cli.output import ExitCode, fail

app = typer.Typer(add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False)


@app.command()
def run(
    verbose: Annotated[bool, typer.Option("--verbose", help="Log every step.")] = False,
) -> None:
    """Take readings from the broker and tell when something must be done, until stopped."""
    settings = settings_or_fail()
    from mustwatch.app.log_limits import LimitedByKind
    from mustwatch.config.faults import configuration_faults
    from mustwatch.config.settings import find_config, overridden

    faults = configuration_faults(settings)
    if faults:
        fail("the configuration has faults:\n  " + "\n  ".join(faults), ExitCode.WRONG_INPUT)
    logging.basicConfig(
        level=logging.DEBUG if verbose else logging.INFO,
        format="%(levelname)s %(name)s: %(message)s"
        if not sys.stderr.isatty()
        else "%(asctime)s %(message)s",
        stream=sys.stderr,
    )
    for handler in logging.getLogger().handlers:
        handler.addFilter(LimitedByKind())
    for chatty in ("apscheduler", "urllib3", "uvicorn.access"):
        logging.getLogger(chatty).setLevel(logging.WARNING)
    for note in overridden(find_config(None)):
        logging.getLogger("mustwatch").warning(note)
    from mustwatch.app.service import Service
    from mustwatch.store.keeper import AlreadyKeptError
    from mustwatch.store.schema import SchemaTooNewError

    try:
        service = Service(settings)
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: service.stop())
        service.run()
    except (AlreadyKeptError, SchemaTooNewError) as error:
        fail(str(error))
