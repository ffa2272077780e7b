"""The ``mustsim`` command: publish a simulated cellar, write it to a file, or print what fits it."""

import json
import sys
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Annotated, NoReturn

import numpy as np
import typer

from mustsim.cellar import Form, SimulatedCellar, run
from mustsim.configuration import mustwatch_toml, record_lines
from mustsim.lines import json_lines
from mustsim.publish import Broker, PublishError, publish
from mustsim.scenario import Scenario, ScenarioError, load, shipped_names
from mustsim.vary import randomised

app = typer.Typer(
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    help="Make a believable cellar: its ferments, its sensors, its people, and the truth beside them.",
)

FORMS: tuple[Form, ...] = ("senml", "json", "number")

ScenarioArgument = Annotated[
    str, typer.Argument(help="A name from `mustsim list`, or a path to a TOML file.")
]
SeedOption = Annotated[
    int, typer.Option(help="Of all chance in it; the same seed gives the same cellar.", min=0)
]
FormOption = Annotated[
    str | None,
    typer.Option("--format", help="senml, json or number, for every sensor (default: the scenario's)."),
]
VariationOption = Annotated[
    int | None, typer.Option(help="Draw the scenario's parameters anew, by this number.", min=0)
]
EndingOption = Annotated[
    str | None, typer.Option(help="'now', or a time with its offset: when the last message is sent.")
]
BeginningOption = Annotated[
    str | None, typer.Option(help="'now', or a time with its offset: when it begins.")
]


@app.command(name="list")
def list_scenarios() -> None:
    """List the scenarios that come with the package, with what happens in each."""
    for name in shipped_names():
        scenario = load(name)
        typer.echo(f"{name:16}  {scenario.days:3.0f} days  {scenario.story}")


@app.command(name="write")
def write(
    scenario: ScenarioArgument,
    out: Annotated[Path | None, typer.Option(help="Where to; default: standard output.")] = None,
    truth: Annotated[Path | None, typer.Option(help="Write the truth beside it, as JSON.")] = None,
    seed: SeedOption = 1,
    form: FormOption = None,
    variation: VariationOption = None,
    ending: EndingOption = None,
    beginning: BeginningOption = None,
) -> None:
    """Write a cellar's messages as JSON lines, as `mosquitto_sub -F %j` prints them."""
    cellar = _simulated(scenario, seed, form, variation, ending, beginning)
    if out is None:
        for line in json_lines(cellar):
            typer.echo(line)
    else:
        _write(out, "".join(f"{line}\n" for line in json_lines(cellar)))
    if truth is not None:
        _write(truth, json.dumps(cellar.truth.as_json(), separators=(",", ":")))
    typer.echo(f"{len(cellar.messages)} messages of {cellar.scenario.days:g} days", err=True)


@app.command(name="publish")
def publish_cellar(
    scenario: ScenarioArgument,
    host: Annotated[str, typer.Option(help="The broker's name or address.")] = "127.0.0.1",
    port: Annotated[int, typer.Option(help="The broker's port.", min=1, max=65535)] = 1883,
    username: Annotated[str | None, typer.Option(help="The broker's user.")] = None,
    password: Annotated[
        str | None, typer.Option(help="Its password.", envvar="MUSTSIM_PASSWORD", show_envvar=True)
    ] = None,
    qos: Annotated[int, typer.Option(help="0 or 1.", min=0, max=1)] = 1,
    speed: Annotated[
        str,
        typer.Option(
            help="Simulated seconds per second, or 'max' (brokers drop what a slow subscriber cannot take)."
        ),
    ] = "max",
    seed: SeedOption = 1,
    form: FormOption = None,
    variation: VariationOption = None,
    ending: EndingOption = None,
    beginning: BeginningOption = None,
) -> None:
    """Publish a cellar's messages to a broker, live or as fast as it takes them."""
    pace = _speed(speed)
    cellar = _simulated(scenario, seed, form, variation, ending, beginning)
    if pace != 1.0 and any(s.form == "number" for s in cellar.scenario.sensors):
        typer.echo("bare numbers carry no time: at this speed they are stamped on arrival", err=True)
    try:
        sent = publish(cellar, Broker(host, port, username, password, qos=qos), pace)
    except PublishError as error:
        _fail(str(error), 1)
    typer.echo(f"{sent} messages published to {host}:{port}, all acknowledged", err=True)


@app.command(name="config")
def config(
    scenario: ScenarioArgument,
    host: Annotated[str, typer.Option(help="The broker's name or address.")] = "127.0.0.1",
    port: Annotated[int, typer.Option(help="The broker's port.", min=1, max=65535)] = 1883,
    seed: SeedOption = 1,
    form: FormOption = None,
    variation: VariationOption = None,
    ending: EndingOption = None,
    beginning: BeginningOption = None,
) -> None:
    """Print the daemon's configuration that fits a scenario, and the entries its people would make."""
    cellar = _simulated(scenario, seed, form, variation, ending, beginning)
    typer.echo(f"# Fits the invented scenario {cellar.scenario.name} of mustsim, seed {seed}.\n")
    typer.echo(mustwatch_toml(cellar.scenario, host, port))
    typer.echo("# What its people write down:")
    for line in record_lines(cellar):
        typer.echo(f"# {line}")


def _simulated(
    name: str, seed: int, form: str | None, variation: int | None, ending: str | None, beginning: str | None
) -> SimulatedCellar:
    """Return the cellar that the options describe, or leave with 2 and one line saying what is wrong."""
    if form is not None and form not in FORMS:
        _fail(f"--format {form!r}; expected one of {', '.join(FORMS)}", 2)
    if ending is not None and beginning is not None:
        _fail("--ending and --beginning both given; expected at most one", 2)
    try:
        scenario = load(name)
        if variation is not None:
            scenario = randomised(scenario, np.random.default_rng(variation))
        if beginning is not None:
            scenario = _beginning(scenario, beginning)
        ending_ms = None if ending is None else round(_instant("--ending", ending).timestamp() * 1000)
        chosen: Form | None = next((f for f in FORMS if f == form), None)
        return run(scenario, seed, chosen, ending_ms)
    except ScenarioError as error:
        _fail(str(error), 2)


def _beginning(scenario: Scenario, text: str) -> Scenario:
    return replace(scenario, begins=_instant("--beginning", text))


def _instant(option: str, text: str) -> datetime:
    if text == "now":
        return datetime.now().astimezone()
    try:
        instant = datetime.fromisoformat(text)
    except ValueError:
        instant = None
    if instant is None or instant.tzinfo is None:
        _fail(f"{option} {text!r}; expected 'now', or a time with its offset as 2026-09-19T10:00:00+02:00", 2)
    return instant


def _speed(text: str) -> float | None:
    """Return simulated seconds per second, or None for as fast as can be."""
    if text == "max":
        return None
    try:
        speed = float(text)
    except ValueError:
        speed = 0.0
    if not 0.0 < speed < 1e9:
        _fail(f"--speed {text!r}; expected 'max' or a number above 0", 2)
    return speed


def _write(path: Path, text: str) -> None:
    try:
        path.write_text(text, "utf-8")
    except OSError as error:
        _fail(f"{path}: cannot be written: {error.strerror}", 1)


def _fail(line: str, code: int) -> NoReturn:
    typer.echo(f"mustsim: {line}", err=True)
    raise typer.Exit(code)


def main() -> None:
    """Run the command line."""
    try:
        app()
    except BrokenPipeError:  # its reader, e.g. head, has seen enough
        sys.stderr.close()
        sys.exit(0)
