"""Export: every reading once, in the columns that others build on, streamed however long the history."""

import csv
import io
import json
import os
import subprocess
import sys
import tracemalloc
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import pytest

from cellars import PLAN, T0, entry, evaluate, new_store, readings
from mustwatch.cellar.book import Note, Racking, Start
from mustwatch.cellar.history import BEGINNING_MS, SensorStay
from mustwatch.cellar.instant import DAY_MS
from mustwatch.cellar.reading import Reading
from mustwatch.export import COLUMNS, Export, Wanted
from mustwatch.store.store import Store

Command = Callable[..., subprocess.CompletedProcess[bytes]]
PROMISED = ("sensor", "observed_at", "received_at", "gravity", "inclination", "celsius", "battery_v")
"""The columns that the commands' contract names."""


@pytest.fixture
def store(tmp_path: Path) -> Store:
    made = new_store(tmp_path / "cellar.db")
    evaluate(made, [readings(4.0)])
    made.book.append(entry(2.0, Racking("carboy", floats=("float",))))
    made.book.append(entry(3.0, Note('smells of "pears", and = of\napples')))
    made.readings.add([Reading("room, north", T0 + 5, T0 + 9, temperature_c=9.25, battery_v=3.61)])
    return made


@pytest.fixture
def mustwatch(store: Store, tmp_path: Path) -> Command:
    config = tmp_path / "mustwatch.toml"
    config.write_text(
        f'[cellar]\nname = "shed"\ntimezone = "Europe/Vienna"\n[store]\npath = "{store.path}"\n'
        '[[vessel]]\nname = "bucket"\nkind = "bucket"\nlitres = 25\n'
        '[[sensor]]\nid = "float"\nkind = "float"\nvessel = "bucket"\ntopic = "t"\ndecoder = "senml"\n'
    )

    def run(*arguments: str) -> subprocess.CompletedProcess[bytes]:
        return subprocess.run(
            [sys.executable, "-m", "mustwatch", *arguments],
            env={**os.environ, "MUSTWATCH_CONFIG": str(config)},
            capture_output=True,
            check=False,
        )

    return run


def rows(output: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(output.decode(), newline="")))


def test_the_csv_has_the_promised_columns_and_one_row_per_reading(store: Store, mustwatch: Command) -> None:
    found = rows(mustwatch("export", "--format", "csv").stdout)

    assert set(PROMISED) <= set(found[0])
    assert len(found) == store.readings.count()
    assert [row["observed_at"] for row in found] == sorted(row["observed_at"] for row in found)


@pytest.mark.parametrize("name", ["=1+1", "+43", "-5", "@SUM(A1)", "\tx", "plain"])
def test_a_name_is_never_worked_out_by_a_spreadsheet(store: Store, mustwatch: Command, name: str) -> None:
    """Source: OWASP, "CSV Injection"."""
    store.book.append(entry(3.5, Start("cup"), lot=name))
    store.book.configure_place(SensorStay(name, "cup", BEGINNING_MS))
    store.readings.add([Reading(name, T0 + int(3.6 * DAY_MS), T0, 1.05, None, -3.5)])

    (row,) = [row for row in rows(mustwatch("export").stdout) if name in row["sensor"]]

    wanted = name if name == "plain" else f"'{name}"
    assert (row["sensor"], row["lot"]) == (wanted, wanted)
    assert row["celsius"] == "-3.5", "a number stays one"


def test_what_is_exported_reads_back_as_what_is_stored(store: Store, mustwatch: Command) -> None:
    stored = {(r.sensor, r.observed_ms): r for r in store.readings.between(0, 2**62)}
    for row in rows(mustwatch("export").stdout):
        at_ms = round(datetime.fromisoformat(row["observed_at"]).timestamp() * 1000)
        reading = stored.pop((row["sensor"], at_ms))
        assert round(datetime.fromisoformat(row["received_at"]).timestamp() * 1000) == reading.received_ms
        for column, value in (
            ("gravity", reading.gravity),
            ("celsius", reading.temperature_c),
            ("battery_v", reading.battery_v),
        ):
            assert row[column] == ("" if value is None else repr(value))

    assert not stored


def test_a_lot_is_exported_with_what_was_said_in_its_vessels(mustwatch: Command) -> None:
    found = rows(mustwatch("export", "--lot", "kit").stdout)

    assert {row["sensor"] for row in found} == {"float"}
    assert {row["vessel"] for row in found if row["observed_at"] < "2026-09-03"} == {"bucket"}
    assert {row["vessel"] for row in found if row["observed_at"] > "2026-09-03T00:00"} == {"carboy"}


def test_a_span_includes_its_beginning_and_not_its_end(mustwatch: Command) -> None:
    """A day without an offset is the cellar's own: in Vienna the 2nd of September begins at 22:00 UTC."""
    found = rows(mustwatch("export", "--since", "2026-09-02", "--until", "2026-09-03").stdout)

    assert found[0]["observed_at"] == "2026-09-01T22:00:00+00:00"
    assert found[-1]["observed_at"] == "2026-09-02T21:45:00+00:00"


def test_line_protocol_holds_the_whole_cellar(store: Store, mustwatch: Command) -> None:
    lines = mustwatch("export", "--format", "lines").stdout.decode().splitlines()
    counts = {
        name: sum(line.startswith(f"{name},") for line in lines) for name in ("reading", "estimate", "entry")
    }

    assert counts == {
        "reading": store.readings.count(),
        "estimate": len(store.watching.estimates("kit")),
        "entry": len(store.book.entries()),
    }
    # Source: InfluxDB line protocol: spaces and commas of tags are escaped, strings quoted, timestamps nanoseconds.
    room = next(line for line in lines if "room" in line)
    assert room == (
        r"reading,site=home,cellar=shed,sensor=room\,\ north celsius=9.25,battery_v=3.61,"
        f"received_ms={T0 + 9}i,stamp=0i {(T0 + 5) * 1_000_000}"
    )


def test_parquet_holds_the_same_with_types(store: Store, mustwatch: Command, tmp_path: Path) -> None:
    parquet = pytest.importorskip("pyarrow.parquet")
    out = tmp_path / "readings.parquet"
    assert mustwatch("export", "--format", "parquet", "--out", str(out)).returncode == 0
    table = parquet.read_table(out)

    assert tuple(table.column_names) == COLUMNS
    assert table.num_rows == store.readings.count()
    assert str(table.schema.field("observed_at").type) == "timestamp[ms, tz=UTC]"
    expected = [r.gravity for r in store.readings.between(0, 2**62)]
    assert table.column("gravity").to_pylist() == expected


def test_an_export_that_cannot_be_written_leaves_nothing_half_done(
    mustwatch: Command, tmp_path: Path
) -> None:
    failed = mustwatch("export", "--out", "/nonexistent/x.csv")
    assert (failed.returncode, b"/nonexistent/x.csv" in failed.stderr) == (1, True)
    full = mustwatch("export", "--lot", "no such lot", "--out", str(tmp_path / "x.csv"))
    assert full.returncode == 2
    assert not list(tmp_path.glob("x.csv*"))


def test_wrong_input_is_said_with_what_was_expected(mustwatch: Command) -> None:
    failed = mustwatch("export", "--since", "the day before")
    assert failed.returncode == 2
    assert b"--since" in failed.stderr


@pytest.mark.parametrize("name", ["csv", "lines"])
def test_a_long_history_is_streamed_in_constant_memory(tmp_path: Path, name: str) -> None:
    """Forty thousand readings: what is held at once must not grow with them."""

    class Sink(io.StringIO):
        written = 0

        def write(self, text: str) -> int:
            Sink.written += len(text)
            return len(text)

    from mustwatch.store.mirror_lines import Lines

    store = new_store(tmp_path / "long.db")
    peaks = []
    for days in (10.0, 80.0):
        store.readings.add(readings(days, every_min=3))
        export = Export(store, PLAN, Wanted(until_ms=T0 + int(days * DAY_MS)))
        tracemalloc.start()
        sink = Sink()
        count = export.csv(sink) if name == "csv" else export.lines(sink, Lines("home", "shed"))
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
        assert count >= days * 480

    assert peaks[1] < peaks[0] * 1.2 + 100_000


def test_the_json_of_a_backup_and_an_export_of_a_store_in_use_do_not_disturb_it(
    store: Store, mustwatch: Command
) -> None:
    with store.transaction():
        store.readings.add(readings(5.0, from_day=4.0))
        count = len(rows(mustwatch("export").stdout))
    assert count == 385
    assert json.loads(mustwatch("backup", "--json").stdout)["readings"] == 481
