"""``mustwatch calibrate`` with a real configuration and store: the book's checks as points, a calibration kept."""

import json
from datetime import datetime

import pytest
from typer.testing import CliRunner

from mustwatch.cellar.book import Entry, Measurement, Move, Start
from mustwatch.cellar.history import BEGINNING_MS
from mustwatch.cellar.instant import DAY_MS, HOUR_MS, MINUTE_MS, to_ms
from mustwatch.cellar.reading import Reading
from mustwatch.cli import app
from mustwatch.must.density import reading_from_gravity_20
from mustwatch.store.store import Store

RUN = CliRunner()
FLOAT = "float-1"

CONFIG = """
[store]
path = "{path}"

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
fields = {{ inclination = {{ path = "incline", unit = "deg" }}, temperature = {{ path = "temp", unit = "C" }} }}
"""


def at(text: str) -> int:
    return to_ms(datetime.fromisoformat(text))


STARTED = at("2026-09-01T18:00:00+02:00")
LATER = at("2026-09-20T18:00:00+02:00")


@pytest.fixture
def store(tmp_path, monkeypatch):
    """Return an open store whose configuration the commands find."""
    path = tmp_path / "cellar.db"
    config = tmp_path / "mustwatch.toml"
    config.write_text(CONFIG.format(path=path.as_posix()), encoding="utf-8")
    monkeypatch.setenv("MUSTWATCH_CONFIG", str(config))
    opened = Store(path, LATER)
    yield opened
    opened.close()


def write(store, number, lot, at_ms, what):
    store.book.append(Entry(f"e{number}", lot, at_ms, at_ms, what))


def inclines(store, at_ms, inclination_deg, celsius=20.0):
    """Store what the float says every quarter of an hour in the hours around an instant, falling as it ferments."""
    readings = [
        Reading(
            FLOAT,
            ms,
            ms,
            inclination_deg=inclination_deg - 0.2 * (ms - at_ms) / HOUR_MS,
            temperature_c=celsius,
        )
        for ms in range(at_ms - 2 * HOUR_MS, at_ms + 2 * HOUR_MS + 1, 15 * MINUTE_MS)
    ]
    with store.transaction():
        store.readings.add(readings)


def ferment(store):
    """Write a lot with three checks beside the float, and one of another vessel."""
    write(store, 1, "rosso", STARTED, Start(vessel="bucket-1"))
    write(store, 2, "rosso", STARTED, Move(sensor=FLOAT, to_vessel="bucket-1"))
    for number, (day, inclination_deg, gravity, celsius) in enumerate(
        [(1, 61.0, 1.090, 24.0), (4, 44.0, 1.045, 27.0), (8, 26.0, 0.998, 19.0)], start=3
    ):
        inclines(store, STARTED + day * DAY_MS, inclination_deg, celsius)
        write(store, number, "rosso", STARTED + day * DAY_MS, Measurement(gravity=gravity))
    write(store, 7, "bianco", STARTED, Start(vessel="carboy-1"))
    write(store, 8, "bianco", STARTED + 4 * DAY_MS, Measurement(gravity=1.070))
    write(store, 9, "rosso", STARTED + 12 * DAY_MS, Measurement(gravity=0.995))  # the float was silent then


def run(*arguments):
    return RUN.invoke(app, ["calibrate", FLOAT, *arguments])


def test_the_checks_beside_the_float_become_points_at_the_temperature_it_had(store):
    ferment(store)

    document = json.loads(run("--from-checks", "--json").stdout)

    points = [(p["inclination_deg"], p["gravity"]) for p in document["points"]]
    assert points == [
        (26.0, pytest.approx(reading_from_gravity_20(0.998, 19.0), abs=1e-5)),
        (44.0, pytest.approx(reading_from_gravity_20(1.045, 27.0), abs=1e-5)),
        (61.0, pytest.approx(reading_from_gravity_20(1.090, 24.0), abs=1e-5)),
    ]
    assert store.book.calibrations(FLOAT) == []


def test_a_first_calibration_is_kept_for_all_readings_and_its_lot_is_looked_at_again(store):
    ferment(store)
    before = store.book.changes_after(0)[-1].seq

    result = run("--from-checks", "--save")

    assert result.exit_code == 0, result.stderr
    (kept,) = store.book.calibrations(FLOAT)
    assert kept.from_ms == BEGINNING_MS
    assert [x for x, _ in kept.points] == [26.0, 44.0, 61.0]
    assert {change.lot for change in store.book.changes_after(before)} == {"rosso"}


def test_a_second_calibration_leaves_the_first_to_older_readings(store):
    ferment(store)
    run("--from-checks", "--save")
    result = run(
        "--point", "25:1.000", "--point", "62:1.090", "--save", "--since", "2026-09-10T18:00:00+02:00"
    )

    assert result.exit_code == 0, result.stderr
    first, second = store.book.calibrations(FLOAT)
    assert first.from_ms == BEGINNING_MS
    assert second.from_ms == at("2026-09-10T18:00:00+02:00")


def test_a_float_that_is_not_configured_is_refused_by_name(store):
    result = RUN.invoke(app, ["calibrate", "float-9", "--point", "25:1.0", "--point", "61:1.09", "--save"])

    assert result.exit_code == 2
    assert "'float-9'" in result.stderr
    assert "float-1" in result.stderr


def test_a_book_without_checks_could_not_be_used(store):
    write(store, 1, "rosso", STARTED, Start(vessel="bucket-1"))
    result = run("--from-checks")

    assert result.exit_code == 1
    assert "no hydrometer check" in result.stderr
