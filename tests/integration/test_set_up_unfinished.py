"""What is not set up yet is said where it is looked for, and what is gone is not taken for empty."""

import json
import socket
import time
import urllib.request
from collections.abc import Callable
from pathlib import Path

import pytest

from cellars import T0
from daemons import Daemon, wait_until
from mustwatch.cellar.reading import Reading, Stamp
from mustwatch.store.backup import make_backup
from mustwatch.store.opening import open_store
from mustwatch.store.store import Store
from mustwatch.views.sensors import newest_of_each

CELLAR = """
[mqtt]
port = 1
[[vessel]]
name = "tub"
kind = "bucket"
litres = 30

[[sensor]]
id = "leaning"
kind = "float"
vessel = "tub"
topic = "cellar/leaning"
decoder = "json"
fields = { inclination = { path = "angle", unit = "deg" }, temperature = { path = "temp" } }
"""


def heard(store: Path, now_ms: int, **said: float) -> None:
    opened = Store(store, now_ms)
    opened.readings.add(
        [
            Reading(
                "leaning",
                now_ms,
                now_ms,
                said.get("gravity"),
                said.get("angle"),
                20.0,
                None,
                None,
                Stamp.SENSOR,
            )
        ]
    )
    opened.close()


@pytest.fixture
def cellar(daemon_with: Callable[[str], Daemon]) -> Daemon:
    made = daemon_with(CELLAR)
    heard(made.store, time.time_ns() // 1_000_000, angle=32.0)
    return made


def test_a_float_that_is_of_no_use_yet_is_said_by_the_check_and_the_cellar(cellar: Daemon) -> None:
    expected = (
        "leaning says how it leans",
        "leaning speaks in tub, where no lot is",
        "the unit of its temperature",
    )

    for said in (cellar.done("cellar"), cellar.command("check").stdout):
        for words in expected:
            assert words in said
    assert len(cellar.json("cellar")["remarks"]) == 3

    cellar.done(
        "calibrate", "leaning", "--point", "25:1.000", "--point", "50:1.060", "--point", "70:1.1", "--save"
    )
    cellar.done("record", "start", "elder", "--vessel", "tub", "--gravity", "1.09", "--celsius", "20")
    (left,) = cellar.json("cellar")["remarks"]
    assert "unit" in left


def test_the_page_says_it_too(cellar: Daemon) -> None:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    cellar.config.write_text(f"{cellar.config.read_text()}\n[web]\nport = {port}\n")
    cellar.start(listening=False)
    wait_until(lambda: "pages at" in cellar.said(), 20, "the pages")

    page = urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=10).read().decode()

    assert "leaning says how it leans" in page


def test_faults_are_named_by_what_their_person_calls_them(daemon_with: Callable[[str], Daemon]) -> None:
    wrong = daemon_with(
        CELLAR.replace('kind = "float"', 'kind = "flota"') + '[[vessel]]\nkind = "bucket"\nlitres = 1\n'
    )

    said = wrong.command("check").stdout

    assert "sensor leaning.kind: 'flota'" in said
    assert "vessel number 2.name: missing" in said
    assert "sensor.0" not in said
    assert said.rstrip().splitlines()[-1].startswith("  "), "what to mend is one list at the end"


def test_what_must_be_mended_stands_in_one_list_and_alone_makes_the_exit_code(cellar: Daemon) -> None:
    """No broker is there: that is to be mended. That nobody keeps watch, or no lot is begun, is not."""
    document = json.loads(cellar.command("check", "--json").stdout)
    checked = cellar.command("check")

    mend = [look["part"] for look in document["surroundings"] if look["state"] == "mend"]
    listed = checked.stdout.split("To mend:\n")[1].splitlines()
    assert checked.returncode == 1
    assert [line.split(":")[0].strip() for line in listed] == mend == ["broker"]


def test_a_store_that_is_gone_beside_good_backups_is_no_empty_cellar(cellar: Daemon) -> None:
    cellar.done("record", "start", "elder", "--vessel", "tub", "--gravity", "1.09", "--celsius", "20")
    cellar.done("backup")
    for file in cellar.store.parent.glob("cellar.db*"):
        file.unlink()

    for typed in (("cellar",), ("record", "start", "new", "--vessel", "tub")):
        refused = cellar.command(*typed)
        assert refused.returncode == 1
        assert "is gone, but there are 1 backups" in refused.stderr
        assert not cellar.store.exists()
    assert "is gone" in cellar.command("check").stdout


def test_the_daemon_goes_on_from_the_newest_backup_of_a_store_that_is_gone(cellar: Daemon) -> None:
    cellar.done("record", "start", "elder", "--vessel", "tub", "--gravity", "1.09", "--celsius", "20")
    cellar.done("backup")
    for file in cellar.store.parent.glob("cellar.db*"):
        file.unlink()

    cellar.start(listening=False)

    assert "elder" in cellar.done("book")
    wait_until(lambda: "The store was gone" in cellar.done("alerts", "--all"), 20, "an alert")


def test_a_new_cellar_begins_without_any_alarm(tmp_path: Path) -> None:
    opened = open_store(tmp_path / "cellar.db", T0, tmp_path / "backups")

    assert (opened.is_new, opened.damage, opened.was_gone) == (True, None, False)
    opened.store.close()


def test_of_a_sensor_with_a_topic_for_each_quantity_the_newest_of_each_is_known(tmp_path: Path) -> None:
    store = Store(tmp_path / "cellar.db", T0)
    said = [
        (0, 1.050, None, None),
        (1000, 1.049, None, None),
        (2000, None, 19.5, None),
        (3000, None, None, 3.9),
    ]
    store.readings.add(
        [Reading("f", T0 + at, T0 + at, g, None, t, v, None, Stamp.ARRIVAL) for at, g, t, v in said]
    )

    newest = newest_of_each(store, "f", T0 + 5000)

    assert newest is not None
    assert (newest.gravity, newest.temperature_c, newest.battery_v) == (1.049, 19.5, 3.9)
    assert newest.observed_ms == T0 + 3000
    store.close()


def test_a_backup_that_was_looked_for_is_still_there(tmp_path: Path) -> None:
    store = Store(tmp_path / "cellar.db", T0)
    store.readings.add([Reading("f", T0, T0, 1.05, None, None, None, None, Stamp.SENSOR)])
    made = make_backup(store.path, tmp_path / "backups", T0)
    store.close()
    store.path.unlink()

    opened = open_store(store.path, T0, tmp_path / "backups")

    assert opened.was_gone
    assert opened.store.readings.count() == 1
    assert made.path.exists()
    opened.store.close()
