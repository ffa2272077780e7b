"""``mustwatch listen``: what arrives on the broker, and the entry for a sensor that is not configured yet."""

from collections.abc import Callable
from typing import Annotated, Any

import typer

from mustwatch.cellar.measures import Measures
from mustwatch.cli.opening import now_ms, settings_or_fail
from mustwatch.cli.output import ExitCode, emit_json, fail, remark, say
from mustwatch.config.plan import measures_of

app = typer.Typer(add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False)

FIRST_LINES = 3
"""Messages of one topic that are shown as they come; the rest is counted."""


@app.command()
def listen(
    topic: Annotated[
        list[str] | None, typer.Option("--topic", help="Listen to this (default: everything, #).")
    ] = None,
    seconds: Annotated[
        float, typer.Option("--seconds", min=0.1, help="For how long; Ctrl-C ends it sooner.")
    ] = 60.0,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document at the end.")] = False,
) -> None:
    """Show what arrives on the broker and propose the [[sensor]] entry for what is not configured yet."""
    from mustwatch.ingest.broker_settings import BrokerSettingsError
    from mustwatch.listening.broker import Heard, visit
    from mustwatch.listening.heard import heard_document, topics_of
    from mustwatch.listening.report import Ear

    settings = settings_or_fail()
    measures = measures_of(settings)
    topics = tuple(topic or ["#"])
    try:
        broker = settings.mqtt.broker()
    except BrokerSettingsError as error:
        fail(str(error), ExitCode.WRONG_INPUT)
    sensors = topics_of(settings)
    ear = Ear()

    def heard(message: Heard) -> None:
        taken = ear.hear(*message)
        if taken is not None and not as_json and taken.messages <= FIRST_LINES:
            _say_message(message, sensors.get(message.topic), measures)

    remark(
        f"listening to {', '.join(topics)} on {broker.host}:{broker.port} for {seconds:g} s (Ctrl-C ends it)"
    )
    try:
        gone = visit(broker, topics, seconds, heard)
    except KeyboardInterrupt:
        gone = None
    if gone is not None and gone.trouble is not None:
        fail(gone.trouble)
    for refused in gone.refused if gone is not None else ():
        remark(f"the broker does not let us hear {refused}: mqtt.username must be allowed to read it")
    document = heard_document(ear, sensors, settings, now_ms())
    if as_json:
        emit_json(document)
        return
    _say_end(ear, document, settings)


def _say_message(message: Any, sensor: Any, measures: Measures) -> None:
    from mustwatch.listening.report import figures, read_as, shown

    kept = "  (retained: an old value)" if message.is_retained else ""
    say(f"{shown(message.topic)}  {shown(message.payload)}{kept}")
    if sensor is not None:
        readings, why = read_as(sensor, message.topic, message.payload, now_ms())
        for reading in readings:
            say(f"    {sensor.id}: {_words(figures(reading), measures)}")
        if why is not None:
            say(f"    {sensor.id}: cannot be read: {why}")


def _words(said: dict[str, float], measures: Measures) -> str:
    say: dict[str, Callable[[float], str]] = {
        "gravity": lambda value: f"gravity {measures.gravity(value, 4)}",
        "inclination_deg": "leaning {:.1f}°".format,
        "celsius": measures.temperature,
        "battery_v": "battery {:.2f} V".format,
        "signal_dbm": "signal {:.0f} dBm".format,
    }
    return ", ".join(say[name](value) for name, value in said.items())


def _say_end(ear: Any, document: dict[str, Any], settings: Any) -> None:
    from mustwatch.config.settings import find_config

    measures = measures_of(settings)
    if not ear.topics:
        say("Nothing was said. Does the float publish to this broker? A user and password for it:")
        say("  sudo mustwatch-broker add NAME")
        return
    say()
    for row in document["topics"]:
        if row["sensor"] is None:
            read = "; ".join(_words(reading, measures) for reading in row["readings"]) or row["why"]
            say(f"new  {row['topic']}: {read}")
    if ear.passed_over:
        say(f"and {ear.passed_over} messages on more topics than are looked at: use --topic")
    if document["proposals"]:
        say()
        say(f"To take them in, copy into {find_config(None) or 'your configuration'}:")
        if not settings.vessel:
            say('\n[[vessel]]\nname = "NAME"\nkind = "bucket"\nlitres = 25')
        for one in document["proposals"]:
            say()
            say(one["toml"])
        say()
        say("then: sudo mustwatch check && sudo systemctl restart mustwatch")
