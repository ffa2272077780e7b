"""The mirror tells the truth, end to end: real daemon, real broker, real commands; stand-in and, where there is one, a
real InfluxDB 2."""

import json
import threading
import time
import urllib.parse
import uuid
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from brokers import Broker
from daemons import Daemon, wait_until
from mirrors import Influx
from mustwatch.cellar.instant import DAY_MS
from stand_in_influx import StandInInflux

pytestmark = [pytest.mark.influx, pytest.mark.broker]
READINGS = 180
COUNT = (
    'from(bucket: "{0.bucket}") |> range(start: 1970-01-01T00:00:00Z, stop: 2200-01-01T00:00:00Z)'
    ' |> filter(fn: (r) => r._measurement == "{1}" and r.site == "home" and r.cellar == "{2}")'
    ' |> filter(fn: (r) => r._field == "{3}") |> count()'
)


class Mirrored:
    """A cellar with one float, mirrored."""

    def __init__(self, influx: Influx, broker: Broker, daemon_with: Callable[[str], Daemon]) -> None:
        self.influx, self.broker = influx, broker
        self.name = f"shed {uuid.uuid4().hex[:8]}"
        self.daemon = daemon_with("")
        self.store_toml = self.daemon.config.read_text()
        self.configure()
        self.begins_ms = int(time.time() * 1000) // 1000 * 1000 - 2 * DAY_MS

    def configure(self, *, sensor: bool = True, **changed: Any) -> None:
        """Write the configuration, with some of [influx] changed."""
        toml = (
            f'[cellar]\nname = "{self.name}"\n[mqtt]\nport = {self.broker.port}\n[web]\nenabled = false\n'
            f"{self.influx.toml(**{'every_seconds': 0.2, **changed})}"
            '[[vessel]]\nname = "bucket"\nkind = "bucket"\nlitres = 25\n'
        )
        if sensor:
            toml += (
                '[[sensor]]\nid = "float"\nkind = "float"\nvessel = "bucket"\ntopic = "cellar/float"\n'
                'decoder = "senml"\nsilent_after = 864000\n'
            )
        self.daemon.config.write_text(f"{toml}{self.store_toml}")

    def live(self, *, all_there: bool = True) -> None:
        """Start a lot two days ago, and have its readings, a note and all else mirrored."""
        at = time.strftime("%Y-%m-%dT%H:%M:%S+00:00", time.gmtime(self.begins_ms / 1000 - 60))
        self.daemon.done("record", "start", "kit", "--vessel", "bucket", "--gravity", "1.050", "--at", at)
        self.daemon.done("record", "note", "kit", "it smells of pears", "--at", at)
        self.daemon.start()
        self.broker.publish(*[("cellar/float", self.payload(n)) for n in range(READINGS)])
        if all_there:
            wait_until(lambda: self.count("reading", "received_ms") == READINGS, 30, "the readings mirrored")
        wait_until(lambda: self.count("entry", "is_undone") >= 2, 30, "the book mirrored")

    def payload(self, n: int) -> bytes:
        at_s = (self.begins_ms + n * 900_000) / 1000
        return json.dumps([{"bt": at_s, "n": "gravity", "u": "/", "v": round(1.05 - n * 1e-4, 4)}]).encode()

    def count(self, measurement: str, field: str) -> int:
        """Return how many points of a field stand on the server."""
        flux = COUNT.format(self.influx, measurement, self.name, field)
        if self.influx.stand_in is not None:
            tables = self.influx.stand_in.query(flux, int(time.time() * 1000))
            return sum(int(row["_value"]) for table in tables for row in table)
        path = f"query?{urllib.parse.urlencode({'org': self.influx.org})}"
        answer = self.influx._ask_text("POST", path, {"query": flux, "type": "flux"})
        return sum(int(line.rsplit(",", 1)[1]) for line in answer.splitlines() if line.startswith(",,"))

    def alerts_there(self) -> int:
        """Return how many points of alerts there are."""
        return self.count("alert", "cleared_ms")

    def marker(self) -> int:
        """Return how many markers there are."""
        return self.count("mirror", "serial")

    def told(self) -> list[dict[str, Any]]:
        """Return the alerts about the storage, the mirror's among them."""
        alerts: list[dict[str, Any]] = self.daemon.json("alerts", "--all")
        return [alert for alert in alerts if alert["kind"] == "storage-trouble"]

    def lose_the_card(self) -> None:
        for file in self.daemon.folder.glob("cellar.db*"):
            file.unlink()


@pytest.fixture
def mirrored(influx: Influx, mosquitto: Broker, daemon_with: Callable[[str], Daemon]) -> Mirrored:
    return Mirrored(influx, mosquitto, daemon_with)


def test_a_server_made_anew_is_told_and_filled_again(mirrored: Mirrored) -> None:
    mirrored.live()
    wait_until(lambda: mirrored.marker() == 1, 30, "the marker")
    mirrored.daemon.stop()
    mirrored.influx.make_anew()
    mirrored.daemon.start()

    wait_until(lambda: mirrored.count("reading", "received_ms") == READINGS, 60, "all sent again")
    wait_until(mirrored.told, 30, "told")
    assert "as if it had been made anew" in mirrored.told()[0]["evidence"]["what"]
    wait_until(lambda: mirrored.marker() == 1, 30, "the marker is there again")
    mirrored.daemon.stop()
    mirrored.lose_the_card()
    done = mirrored.daemon.json("restore", "--from-influx")
    assert (done["readings"], done["entries"], done["missing"]) == (READINGS, 2, [])


def test_everything_is_sent_again_by_hand(mirrored: Mirrored) -> None:
    mirrored.live()
    wait_until(lambda: mirrored.marker() == 1, 30, "the marker")
    mirrored.influx.make_anew()

    said = mirrored.daemon.done("mirror", "resend")

    assert f"{READINGS} readings, 2 entries" in said
    wait_until(lambda: mirrored.count("reading", "received_ms") == READINGS, 60, "all sent again")
    wait_until(lambda: mirrored.count("entry", "is_undone") == 2, 30, "the book too")


def test_a_restore_of_less_than_was_sent_exits_1_and_names_what_is_missing(mirrored: Mirrored) -> None:
    """The server was made anew, and the card died before all had been sent again."""
    mirrored.live()
    wait_until(lambda: mirrored.marker() == 1, 30, "the marker")
    mirrored.daemon.stop()
    mirrored.influx.keep_for(30 * 3600)
    mirrored.lose_the_card()

    done = mirrored.daemon.command("restore", "--from-influx", "--json")

    assert done.returncode == 1
    document = json.loads(done.stdout)
    assert document["readings"] < READINGS
    assert document["missing"][0] == f"{READINGS - document['readings']} of {READINGS} readings"
    assert "drops what is older than 1.25 days" in document["retention"]


def test_a_bucket_that_drops_what_is_old_keeps_the_book_alerts_and_settings(mirrored: Mirrored) -> None:
    mirrored.influx.keep_for(30 * 3600)
    mirrored.live(all_there=False)
    wait_until(
        lambda: mirrored.marker() >= 1 and mirrored.alerts_there() >= 1, 60, "the marker and the alert"
    )
    wait_until(mirrored.told, 30, "told what it will lose")
    told = mirrored.told()[0]
    mirrored.daemon.stop()
    mirrored.lose_the_card()

    done = mirrored.daemon.command("restore", "--from-influx", "--json")

    assert "drops what is older than 1.25 days" in told["evidence"]["what"]
    assert told["severity"] == "notice"
    document = json.loads(done.stdout)
    assert document["entries"] == 2
    assert document["from_influx"]["alerts"] >= 1
    assert [missing.split()[3] for missing in document["missing"]] == ["readings"]
    assert done.returncode == 1


def test_check_writes_and_reads_with_the_token_and_says_what_the_bucket_keeps(mirrored: Mirrored) -> None:
    mirrored.influx.keep_for(30 * 3600)

    looks = mirror_looks(mirrored)

    assert looks[0] == (
        "good",
        f"127.0.0.1, bucket {mirrored.influx.bucket} takes points and gives them back",
    )
    assert looks[1][0] == "note"
    assert "drops what is older than 1.25 days" in looks[1][1]


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"token": "wrong"}, "the token is not accepted (influx.token)"),
        ({"org": "elsewhere"}, "there is no organisation elsewhere that this token may see (influx.org)"),
        ({"bucket": "no-such"}, "there is no bucket no-such (influx.bucket)"),
        ({"may": "write"}, "takes points, but the token may not read them (influx.token)"),
        ({"may": "read"}, "the token may not write to bucket"),
    ],
)
def test_check_names_the_cause(mirrored: Mirrored, changed: dict[str, Any], says: str) -> None:
    may = changed.get("may")
    if may is not None:
        changed = {"token": mirrored.influx.token_that(may_read=may == "read", may_write=may == "write")}
    mirrored.configure(**changed)

    ((state, said),) = mirror_looks(mirrored)

    assert (state, says in said) == ("mend", True), said


def test_check_says_that_the_server_no_longer_holds_what_was_sent(mirrored: Mirrored) -> None:
    mirrored.live()
    wait_until(lambda: mirrored.marker() == 1, 30, "the marker")
    mirrored.daemon.stop()
    assert mirror_looks(mirrored)[-1][0] == "good"
    mirrored.influx.make_anew()

    assert mirror_looks(mirrored)[-1] == (
        "mend",
        f"127.0.0.1, bucket {mirrored.influx.bucket} no longer holds what was sent there, as if it had been made anew",
    )


def test_a_token_that_may_only_write_is_told(mirrored: Mirrored) -> None:
    mirrored.configure(token=mirrored.influx.token_that(may_read=False, may_write=True))
    mirrored.live()

    wait_until(mirrored.told, 30, "told")
    assert "the token may not read them" in mirrored.told()[0]["evidence"]["what"]
    mirrored.daemon.stop()
    mirrored.lose_the_card()
    done = mirrored.daemon.command("restore", "--from-influx")
    assert done.returncode == 1
    assert "or the token may not read it (influx.token)" in done.stderr


def test_readings_of_a_sensor_that_is_configured_no_more_are_not_doubled(mirrored: Mirrored) -> None:
    mirrored.live()
    wait_until(lambda: mirrored.marker() == 1, 30, "the marker")
    mirrored.daemon.stop()
    # Under another address it is another server, which is sent everything.
    mirrored.configure(sensor=False, url=mirrored.influx.url.replace("127.0.0.1", "localhost"))
    mirrored.daemon.done("record", "note", "kit", "after it")
    mirrored.daemon.start()
    wait_until(lambda: mirrored.count("entry", "is_undone") == 3, 30, "sent")
    mirrored.daemon.done("record", "note", "kit", "after that")
    wait_until(lambda: mirrored.count("entry", "is_undone") == 4, 30, "sent")

    assert mirrored.count("reading", "received_ms") == READINGS


def test_a_restore_that_was_cut_short_says_so_and_is_taken_up(
    stand_in: StandInInflux, mosquitto: Broker, daemon_with: Callable[[str], Daemon]
) -> None:
    mirrored = Mirrored(
        Influx(stand_in.url, stand_in.token, stand_in.org, stand_in.bucket, stand_in), mosquitto, daemon_with
    )
    mirrored.live()
    wait_until(lambda: mirrored.marker() == 1, 30, "the marker")
    mirrored.daemon.stop()
    before = mirrored.daemon.done("export", "--format", "csv")
    mirrored.lose_the_card()
    stand_in.cut_queries_of = "reading"

    cut = mirrored.daemon.command("restore", "--from-influx")

    assert cut.returncode == 1
    assert "cut short" in cut.stderr
    assert "the same command goes on from there" in cut.stderr
    assert not mirrored.daemon.store.exists(), "nothing half stands in the store's place"
    looks = json.loads(mirrored.daemon.command("check", "--json").stdout)["surroundings"]
    assert any("a restore from InfluxDB was cut short" in look["says"] for look in looks)
    stand_in.cut_queries_of = None
    done = mirrored.daemon.command("restore", "--from-influx")
    assert done.returncode == 0, done.stderr
    assert "going on with what an attempt that was cut short has left" in done.stderr
    assert mirrored.daemon.done("export", "--format", "csv") == before


def test_a_restore_says_what_does_not_come_back(mirrored: Mirrored) -> None:
    mirrored.live()
    wait_until(lambda: mirrored.marker() == 1, 30, "the marker")
    mirrored.daemon.stop()
    mirrored.lose_the_card()

    said = mirrored.daemon.done("restore", "--from-influx")

    assert "concluded anew when the daemon starts: estimates, findings" in said
    assert "not in the mirror, and not back: what was quarantined" in said


def test_a_redirect_to_a_page_that_takes_everything_is_not_taken_for_written(
    stand_in: StandInInflux, mosquitto: Broker, daemon_with: Callable[[str], Daemon]
) -> None:
    mirrored = Mirrored(
        Influx(stand_in.url, stand_in.token, stand_in.org, stand_in.bucket, stand_in), mosquitto, daemon_with
    )
    stand_in.redirects = True
    ((state, said),) = mirror_looks(mirrored)

    assert state == "mend"
    assert "something else answers there (influx.url)" in said


def test_a_server_that_is_full_is_named_by_check_and_sent_everything_when_it_has_room(
    stand_in: StandInInflux, mosquitto: Broker, daemon_with: Callable[[str], Daemon]
) -> None:
    mirrored = Mirrored(
        Influx(stand_in.url, stand_in.token, stand_in.org, stand_in.bucket, stand_in), mosquitto, daemon_with
    )
    stand_in.is_full = True
    ((state, said),) = mirror_looks(mirrored)
    assert (state, "no space left on device" in said) == ("note", True)
    threading.Timer(15, lambda: setattr(stand_in, "is_full", False)).start()

    mirrored.live()

    assert mirrored.count("reading", "received_ms") == READINGS


def test_the_client_library_is_in_a_process_that_is_there_only_while_it_sends(mirrored: Mirrored) -> None:
    mirrored.configure(every_seconds=3600)
    mirrored.live()
    process = mirrored.daemon.process
    assert process is not None
    wait_until(lambda: mirrored.marker() == 1, 30, "the marker")

    def children() -> str:
        return "".join(p.read_text() for p in Path(f"/proc/{process.pid}/task").glob("*/children"))

    wait_until(lambda: not children().split(), 30, "its process gone")
    line = next(x for x in Path(f"/proc/{process.pid}/status").read_text().splitlines() if "VmRSS" in x)
    assert int(line.split()[1]) * 1024 / 1e6 <= 85.0


def mirror_looks(mirrored: Mirrored) -> list[tuple[str, str]]:
    """Return what check says of the mirror."""
    looks = json.loads(mirrored.daemon.command("check", "--json").stdout)["surroundings"]
    return [(look["state"], look["says"]) for look in looks if look["part"] == "mirror"]
