"""``mustwatch calendar``: the address by which a phone's calendar subscribes to what is due."""

from typing import Annotated

import typer

from mustwatch.cli.hand import AsJson
from mustwatch.cli.opening import opened_store, settings_or_fail
from mustwatch.cli.output import emit_json, say

app = typer.Typer(add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False)


@app.command()
def calendar(
    renew: Annotated[
        bool, typer.Option("--renew", help="Give it another address; whoever has the old one sees no more.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Show the address by which a calendar subscribes to what is due; who has it sees that alone."""
    from mustwatch.views.calendar import feed_path, feed_token

    settings = settings_or_fail()
    with opened_store(settings) as store:
        path = feed_path(feed_token(store, renew=renew))
    web = settings.web
    address = (web.base_url or f"http://{web.bind}:{web.port}").rstrip("/") + path
    if as_json:
        emit_json({"address": address})
    else:
        say(address)
