"""Configuration: every fault is named by key, value and what was expected, and no secret is ever shown."""

import tomllib
from pathlib import Path

import pytest

from mustwatch.config.settings import Settings, SettingsError, load, overridden
from mustwatch.config.shipped import shipped

GOOD = """
[cellar]
name = "shed"
timezone = "Europe/Vienna"
[[vessel]]
name = "bucket-1"
kind = "bucket"
litres = 30
[[sensor]]
id = "float-1"
kind = "float"
vessel = "bucket-1"
topic = "cellar/float-1"
decoder = "json"
fields = { gravity = "sg", temperature = { path = "temp", unit = "F" } }
"""


def written(folder: Path, text: str) -> Path:
    path = folder / "mustwatch.toml"
    path.write_text(text, encoding="utf-8")
    return path


def faults(folder: Path, text: str) -> list[str]:
    with pytest.raises(SettingsError) as caught:
        load(written(folder, text))
    return caught.value.faults


def test_a_good_configuration_is_read_with_its_units(tmp_path: Path) -> None:
    sensor = load(written(tmp_path, GOOD)).sensor[0].sensor()

    assert [(f.quantity, f.path, f.unit) for f in sensor.fields] == [
        ("gravity", "sg", "SG"),
        ("temperature", "temp", "F"),
    ]


def test_the_environment_overrides_every_key(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("MUSTWATCH_CELLAR__NAME", "barn")
    monkeypatch.setenv("MUSTWATCH_MQTT__PORT", "8883")
    monkeypatch.setenv("MUSTWATCH_MQTT__PASSWORD", "from-the-environment")

    settings = load(written(tmp_path, GOOD))

    assert settings.cellar.name == "barn"
    assert settings.cellar.timezone == "Europe/Vienna"
    assert settings.mqtt.port == 8883
    assert settings.mqtt.password is not None
    assert settings.mqtt.password.get_secret_value() == "from-the-environment"


@pytest.mark.parametrize(
    ("more", "key", "value", "expected"),
    [
        ("[mqtt]\nport = 99999", "mqtt.port", "99999", "65535"),
        ("[mqtt]\nprot = 5", "mqtt.prot", "", "unknown key"),
        ("[mqttt]\nport = 1883", "mqttt", "", "unknown key"),
        ('[web]\nport = "many"', "web.port", "many", "integer"),
        ("[store]\nkeep_raw_days = 1", "store.keep_raw_days", "1", "14"),
        (
            '[[tell]]\nurl = "json://x"\nquiet_hours = "late"',
            "tell number 1.quiet_hours",
            "late",
            "two local times",
        ),
        ('[[tell]]\nurl = "json://x"\nseverities = ["loud"]', "tell number 1.severities.0", "loud", "urgent"),
        ('[[vessel]]\nname = "b"\nkind = "jug"\nlitres = 5', "vessel b.kind", "jug", "carboy"),
        ('[[vessel]]\nname = "b"\nkind = "carboy"\nlitres = -5', "vessel b.litres", "-5", "greater than 0"),
        ('[[vessel]]\nname = "b/c"\nkind = "carboy"\nlitres = 5', "vessel b/c.name", "b/c", "without / # +"),
    ],
)
def test_a_fault_is_named_by_key_value_and_what_was_expected(
    tmp_path: Path, more: str, key: str, value: str, expected: str
) -> None:
    found = faults(tmp_path, f"{GOOD}\n{more}\n")

    assert len(found) == 1, found
    assert found[0].startswith(f"{key}:")
    assert value in found[0]
    assert expected in found[0]


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ('vessel = "bucket-1"', 'vessel = "bucket-9"', "bucket-9"),
        ('vessel = "bucket-1"', "", "room = true"),
        ('topic = "cellar/float-1"', 'topic = "cellar/#"', "without + or #"),
        ('kind = "float"', 'kind = "flota"', "'flota'"),
        ('unit = "F"', 'unit = "R"', "C, F, K"),
        ('decoder = "json"', 'decoder = "xml"', "'xml'"),
        ('id = "float-1"', 'id = "float-1"\ncalibration = [[25.0, 1.0]]', "at least two"),
    ],
)
def test_a_sensor_that_cannot_be_is_explained(tmp_path: Path, old: str, new: str, expected: str) -> None:
    assert expected in faults(tmp_path, GOOD.replace(old, new, 1))[0]


def test_two_sensors_on_one_topic_are_refused_by_name(tmp_path: Path) -> None:
    twin = GOOD[GOOD.index("[[sensor]]") :].replace('id = "float-1"', 'id = "float-2"')

    found = faults(tmp_path, GOOD + twin)

    assert "one sensor per topic" in found[0]
    assert "float-1" in found[0]
    assert "float-2" in found[0]


def test_two_vessels_of_one_name_are_refused(tmp_path: Path) -> None:
    twin = '[[vessel]]\nname = "bucket-1"\nkind = "carboy"\nlitres = 5\n'

    assert "bucket-1" in faults(tmp_path, GOOD + twin)[0]


def test_every_fault_is_told_at_once(tmp_path: Path) -> None:
    found = faults(
        tmp_path, GOOD + '\n[mqtt]\nport = 0\n[web]\nport = -1\n[store]\ncommit_seconds = "soon"\n'
    )

    assert [fault.split(":")[0] for fault in found] == ["mqtt.port", "store.commit_seconds", "web.port"]


def test_pages_beyond_loopback_ask_for_a_token(tmp_path: Path) -> None:
    assert "web.token" in faults(tmp_path, GOOD + '\n[web]\nbind = "0.0.0.0"\n')[0]
    assert load(
        written(tmp_path, GOOD + '\n[web]\nbind = "0.0.0.0"\ntoken = "long enough token"\n')
    ).web.token


@pytest.mark.parametrize(
    "text",
    [
        '[mqtt]\npassword = 12345\nport = "x"',
        '[[tell]]\nurl = ["hunter2-in-a-url"]',
        '[influx]\nurl = 5\norg = "o"\nbucket = "b"\ntoken = ["hunter2-token"]',
        '[web]\ntoken = "hunter2"',
    ],
)
def test_no_secret_appears_in_a_fault(tmp_path: Path, text: str) -> None:
    found = "\n".join(faults(tmp_path, f"{GOOD}\n{text}\n"))

    assert "hunter2" not in found
    assert "12345" not in found


def test_no_secret_appears_when_the_configuration_is_shown(tmp_path: Path) -> None:
    text = '[mqtt]\npassword = "hunter2"\n[[tell]]\nurl = "json://hunter2@host"\n[web]\ntoken = "hunter2hunter2"\n'
    settings = load(written(tmp_path, f"{GOOD}\n{text}"))

    assert "hunter2" not in repr(settings)
    assert "hunter2" not in str(settings.model_dump())
    assert "hunter2" not in settings.model_dump_json()


def test_a_file_that_is_not_toml_or_not_there_is_one_clear_line(tmp_path: Path) -> None:
    assert "not TOML" in faults(tmp_path, "[cellar\n")[0]
    with pytest.raises(SettingsError) as caught:
        load(tmp_path / "none.toml")
    assert "no such file" in caught.value.faults[0]


def test_the_example_configuration_is_good_and_names_every_key() -> None:
    text = shipped("mustwatch.example.toml").read_text(encoding="utf-8")
    load(shipped("mustwatch.example.toml"))

    everything = tomllib.loads(
        "\n".join(line.removeprefix("# ") if is_key(line) else line for line in text.split("\n"))
    )
    for section, model in Settings.model_fields.items():
        if section in ("lot", "vessel", "sensor", "tell"):
            continue
        keys = getattr(model.annotation, "model_fields", None)
        if keys is None:  # influx: optional
            from mustwatch.config.settings import InfluxSettings

            keys = InfluxSettings.model_fields
        assert set(keys) <= set(everything[section]), (
            f"[{section}] lacks {set(keys) - set(everything[section])}"
        )


def is_key(line: str) -> bool:
    """Say whether a comment line of the example is a key or section set off, not prose."""
    rest = line.removeprefix("# ")
    return line.startswith("# ") and (
        rest.startswith("[") or (" = " in rest and rest.split(" = ")[0].isidentifier())
    )


def test_what_the_environment_overrides_is_said_without_its_value(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = written(tmp_path, '[mqtt]\npassword = "hunter2"\nport = 1883\n')
    monkeypatch.setenv("MUSTWATCH_MQTT__PASSWORD", "another")
    monkeypatch.setenv("MUSTWATCH_MQTT__PORT", "1883")
    monkeypatch.setenv("MUSTWATCH_WEB__TOKEN", "one of the environment's alone")

    said = overridden(path)

    assert said == ["mqtt.password of the file is not used: the environment has MUSTWATCH_MQTT__PASSWORD"]
