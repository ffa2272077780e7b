"""The configuration and the entries that fit a scenario: the daemon takes them, and reads what the sensors say."""

import shlex
from pathlib import Path

import pytest

from mustsim.cellar import run
from mustsim.configuration import mustwatch_toml, record_lines
from mustsim.scenario import load, shipped_names
from mustwatch.config.settings import load as load_settings
from mustwatch.config.shipped import shipped
from mustwatch.ingest.decoders import decoder_for

NAMES = [*shipped_names(), str(shipped("demo", "cellar-scenario.toml"))]


def settings_of(scenario, folder: Path):
    file = folder / "mustwatch.toml"
    file.write_text(mustwatch_toml(scenario), "utf-8")
    return load_settings(file)


@pytest.mark.parametrize("name", NAMES)
def test_the_daemon_accepts_the_configuration_that_fits(name, tmp_path):
    scenario = load(name)

    settings = settings_of(scenario, tmp_path)

    assert [s.id for s in settings.sensor] == [s.id for s in scenario.sensors]
    assert [v.name for v in settings.vessel] == [v.name for v in scenario.vessels]


@pytest.mark.parametrize("form", ["senml", "json", "number", None])
@pytest.mark.parametrize("name", ["two-floats", "probe-freezes", "sluggish", "racking"])
def test_what_the_sensors_say_is_what_the_decoders_read(name, form, tmp_path):
    cellar = run(load(name), 1, form=form)
    sensors = [s.sensor() for s in settings_of(cellar.scenario, tmp_path).sensor]
    by_topic = {topic: decoder_for(s) for s in sensors for topic in (s.topics or [s.topic])}
    bad_in_air = 0

    for message in cellar.messages[:2200]:
        outcome = by_topic[message.topic](message.payload, message.topic, message.sent_ms)
        if not isinstance(outcome, list):
            bad_in_air += 1
            continue
        assert outcome[0].sensor == message.sensor
        if form != "number":
            assert abs(outcome[-1].observed_ms - message.observed_ms) <= 1000
    # Only a float lying in the air may show what cannot be.
    assert bad_in_air <= (4 if name == "racking" else 0)


def test_a_gravity_survives_its_way_through_brix_and_fahrenheit(tmp_path):
    cellar = run(load(str(shipped("demo", "cellar-scenario.toml"))), 1)
    sensor = next(s.sensor() for s in settings_of(cellar.scenario, tmp_path).sensor if s.id == "kit-float")
    decode = decoder_for(sensor)
    lot = cellar.truth.lots["Garage kit"]
    kit = [m for m in cellar.messages if m.sensor == "kit-float"]
    errors = []
    for message in kit:
        outcome = decode(message.payload, message.topic, message.sent_ms)
        assert isinstance(outcome, list)
        assert outcome[0].gravity is not None
        errors.append(outcome[0].gravity - float(lot.gravity_at(message.observed_ms)))

    assert abs(sum(errors) / len(errors)) < 0.001


def test_people_write_what_they_did_as_commands():
    lines = record_lines(run(load("racking"), 1))
    words = [shlex.split(line) for line in lines]

    assert [w[:3] for w in words] == [
        ["mustwatch", "record", what] for what in ("start", "measure", "rack", "rack")
    ]
    assert words[2][words[2].index("--to") + 1] == "carboy"
    assert words[2][words[2].index("--float") + 1] == "float"
    assert all("--at" in w for w in words)


def test_sugar_is_written_with_its_weight():
    lines = record_lines(run(load("sugar-in-steps"), 1))

    assert lines[1].startswith("mustwatch record add 'flower wine' sugar 600g --why 'first step' --at ")


def test_what_happens_by_itself_is_written_by_nobody():
    assert len(record_lines(run(load("refermenting"), 1))) == 1
