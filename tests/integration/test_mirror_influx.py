"""The mirror and the way back against a real InfluxDB 2: a store restored from it is equal to the one mirrored."""

import json
import time
import urllib.parse
import uuid
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from brokers import Broker
from cellars import T0, conclusions, entry, evaluate, new_store, readings
from daemons import Daemon, wait_until
from mirrors import Influx
from mustwatch.alerting.alert import Alert, Raise, Telling
from mustwatch.alerting.message import MessageKind, written_message
from mustwatch.cellar.book import Measurement, Note, Racking, Start
from mustwatch.cellar.history import SensorStay
from mustwatch.cellar.instant import DAY_MS, HOUR_MS
from mustwatch.cellar.reading import Reading, Stamp
from mustwatch.store.backup import BackupError
from mustwatch.store.book import CalibrationPoints
from mustwatch.store.mirror import Mirror
from mustwatch.store.mirror_audit import CONFIRMED_AFTER_S, EVERY_S
from mustwatch.store.mirror_influx import Bucket, InfluxServer
from mustwatch.store.mirror_lines import Lines
from mustwatch.store.mirror_restore import InfluxRestore
from mustwatch.store.mirror_troubles import Told
from mustwatch.store.store import Store
from mustwatch.watch.finding import Severity, Subject, kind_named

pytestmark = pytest.mark.influx
NOW_MS = T0 + 9 * DAY_MS


class Side:
    """A store with its mirror, in a cellar of its own name so that tests share a bucket."""

    def __init__(self, influx: Influx, folder: Path, cellar: str, bucket: str | None = None) -> None:
        self.influx = influx
        self.cellar = cellar
        self.store = new_store(folder / "c.db")
        self.told: list[Told] = []
        self.mono_s = 0.0
        self.clock_ms = NOW_MS
        self.writer = InfluxServer(Bucket(influx.url, influx.org, bucket or influx.bucket, influx.token))
        self.mirror = Mirror(
            self.store,
            self.writer,
            Lines("home", cellar),
            "there",
            {"float": "float"},
            clock_ms=lambda: self.clock_ms,
            mono_s=lambda: self.mono_s,
            on_trouble=self.told.append,
        )

    def send(self) -> None:
        for _ in range(200):
            if self.mirror.turn() >= 1.0:
                return
            self.mono_s += 1.0
        raise AssertionError("the mirror does not catch up")

    def back(self) -> InfluxRestore:
        of = self.influx
        return InfluxRestore(Bucket(of.url, of.org, of.bucket, of.token), "home", self.cellar)

    def restore(self, path: Path) -> Store:
        there = self.back()
        there.look()
        store = Store(path, NOW_MS)
        there.into(store, NOW_MS)
        return store


@pytest.fixture
def side(influx: Influx, tmp_path: Path) -> Iterator[Side]:
    made = Side(influx, tmp_path, f"shed, {uuid.uuid4().hex[:8]} = mine")
    yield made
    made.store.close()


def everything(store: Store) -> dict[str, object]:
    return {
        "readings": sorted(store.readings.between(-(2**62), 2**62), key=lambda r: (r.sensor, r.observed_ms)),
        "entries": sorted(store.book.entries(), key=lambda e: e.id),
        "places": sorted(store.book.sensor_stays()),
        "calibrations": store.book.calibrations("float"),
        "alerts": sorted(store.alerts.recent(-(2**62)), key=lambda a: a.id),
    }


def lived_in(side: Side) -> None:
    """A ferment with everything that can happen to what was sent: late, corrected, completed, undone, re-placed."""
    store = side.store
    store.book.save_calibration(CalibrationPoints("float", T0, ((25.0, 1.0), (70.5, 1.11))))
    given = readings(8.0)
    evaluation = evaluate(store, [given[:300] + given[340:500]])
    side.send()
    extra = [
        Reading("float", T0 + 5, T0 + 9, temperature_c=9.25, battery_v=3.61, signal_dbm=-71.0),
        Reading("float", T0 + DAY_MS + 77, T0 + DAY_MS + 77, 1.0333, stamp=Stamp.ARRIVAL_UNSURE),
        Reading('pro\\be "one", two=2', T0 + DAY_MS, T0 + DAY_MS + 1, inclination_deg=33.3),
    ]
    store.readings.add(extra)
    side.send()
    store.readings.complete(Reading("float", T0 + 5, T0 + 5, gravity=1.0777))
    store.readings.correct_stamps(T0 + DAY_MS, T0 + DAY_MS + 100, HOUR_MS)
    store.book.append(entry(3.0, Racking("carboy", floats=("float",), gravity=1.012), "racked"))
    store.book.append(entry(3.2, Note('it smells of "pears"\nand of\\slashes, and = of äpfel'), "a-note"))
    store.book.append(entry(4.0, Measurement(gravity=1.004, temperature_c=18.0), "wrong"))
    store.book.undo(next(e for e in store.book.entries() if e.id == "wrong"), T0 + 5 * DAY_MS)
    store.book.append(entry(3.5, Start("bucket", gravity=1.09), lot="red wine, second"))
    store.book.configure_place(SensorStay("float", "carboy", T0 + 6 * DAY_MS))
    store.book.note_change("kit", T0)  # what was slipped in above is evaluated too
    evaluation = evaluate(store, [given[300:340] + given[500:]])
    assert evaluation.watches
    side.send()


def test_a_store_restored_from_influx_is_equal_to_the_one_that_was_mirrored(
    side: Side, tmp_path: Path
) -> None:
    lived_in(side)
    restored = side.restore(tmp_path / "restored.db")

    assert everything(restored) == everything(side.store)


def test_what_is_concluded_from_a_restored_store_is_what_was_concluded(side: Side, tmp_path: Path) -> None:
    lived_in(side)
    restored = side.restore(tmp_path / "restored.db")
    evaluate(restored, [], NOW_MS)

    reference = new_store(tmp_path / "reference.db")
    for sensor_stay in side.store.book.sensor_stays():
        reference.book.configure_place(sensor_stay)
    reference.book.save_calibration(side.store.book.calibrations("float")[0])
    for one in side.store.book.entries():
        if one.id not in {e.id for e in reference.book.entries()}:
            reference.book.append(one)
    evaluate(reference, [side.store.readings.between(-(2**62), 2**62)], NOW_MS)
    assert restored.watching.estimates("kit") == reference.watching.estimates("kit")
    assert conclusions(restored) == conclusions(side.store)


def test_a_restore_tells_nobody_again_what_was_told(side: Side, tmp_path: Path) -> None:
    lived_in(side)
    with side.store.transaction():
        alerts = side.store.alerts.recent(-(2**62))
    restored = side.restore(tmp_path / "restored.db")
    evaluate(restored, [], NOW_MS)

    assert {a.id: a.told_ms for a in restored.alerts.recent(-(2**62))} == {a.id: a.told_ms for a in alerts}
    assert restored.outbox.waiting() == []


def an_alert(opened_ms: int, **changed: object) -> Alert:
    return Alert(
        "finished-abc",
        kind_named("finished"),
        Subject("kit", "bucket"),
        (Raise(opened_ms, Severity.NOTICE),),
        T0 + 5 * DAY_MS,
        **changed,  # type: ignore[arg-type]
    )


def test_an_alert_whose_beginning_moved_is_restored_as_it_was_told_and_stands_there_once(
    side: Side, tmp_path: Path
) -> None:
    store = side.store
    store.readings.add(readings(0.1))
    store.alerts.save([an_alert(T0 + DAY_MS)])
    side.send()
    told = an_alert(T0 + DAY_MS - HOUR_MS, told_ms=T0 + 6 * DAY_MS, tellings={"phone": Telling(times=1)})
    store.alerts.save([told])
    side.send()

    assert list(standing(side, "alert")) == [T0 + DAY_MS - HOUR_MS]
    assert side.restore(tmp_path / "restored.db").alerts.recent(-(2**62)) == [told]


def test_where_a_stale_point_of_an_alert_stands_a_restore_takes_the_newest(
    side: Side, tmp_path: Path
) -> None:
    """Points that were sent before moves were noted, or whose withdrawal was lost with the card."""
    side.store.readings.add(readings(0.1))
    told = an_alert(T0 + DAY_MS - HOUR_MS, told_ms=T0 + 6 * DAY_MS, tellings={"phone": Telling(times=1)})
    side.store.alerts.save([told])
    side.send()
    side.writer.write(Lines("home", side.cellar).alert(an_alert(T0 + DAY_MS)).encode())

    assert side.restore(tmp_path / "restored.db").alerts.recent(-(2**62)) == [told]


def test_a_backup_gets_the_later_state_of_an_alert_and_what_was_told_since(
    side: Side, tmp_path: Path
) -> None:
    from mustwatch.store.backup import put_back, write_backup

    store = side.store
    store.readings.add(readings(0.1))
    store.alerts.save([an_alert(T0 + DAY_MS)])
    waiting = written_message(MessageKind.REVIEW, "phone", "the night", "calm", T0, DAY_MS)
    store.outbox.put([waiting])
    write_backup(store.path, tmp_path / "backup.db")
    told = an_alert(T0 + DAY_MS, told_ms=T0 + 6 * DAY_MS, tellings={"phone": Telling(times=1)})
    store.alerts.save([told])
    store.outbox.mark_told(waiting.id, T0 + HOUR_MS)
    side.send()
    put_back(tmp_path / "backup.db", tmp_path / "restored.db")

    restored = side.restore(tmp_path / "restored.db")

    assert restored.alerts.recent(-(2**62)) == [told]
    assert restored.outbox.waiting() == []


def test_a_message_that_was_queued_comes_back_and_one_that_was_told_is_not_told_again(
    side: Side, tmp_path: Path
) -> None:
    side.store.readings.add(readings(0.1))
    told, queued = (
        written_message(MessageKind.REVIEW, "phone", title, "calm", T0, DAY_MS, about=title)
        for title in ("told", "queued")
    )
    side.store.outbox.put([told, queued])
    side.store.outbox.mark_told(told.id, T0 + HOUR_MS)
    side.send()
    restored = side.restore(tmp_path / "restored.db")

    assert [(row.message, row.is_repeat_possible) for row in restored.outbox.waiting()] == [(queued, True)]
    restored.outbox.put([told])
    assert [row.message.title for row in restored.outbox.waiting()] == ["queued"], "it is known to be told"


def test_a_server_made_anew_while_the_daemon_runs_is_found_within_a_day_and_told_for_an_hour(
    side: Side,
) -> None:
    evaluate(side.store, [readings(2.0)])
    side.send()
    side.influx.make_anew()
    side.mono_s += EVERY_S
    side.send()

    assert len(standing(side, "reading")) == 192
    assert side.told[-1] is not None
    assert "as if it had been made anew; everything is sent again" in side.told[-1][0]
    side.mono_s += CONFIRMED_AFTER_S
    side.send()
    assert side.told[-1] is None


def test_a_server_made_anew_while_something_new_is_sent_is_found_at_once(side: Side) -> None:
    evaluate(side.store, [readings(2.0)])
    side.send()
    side.influx.make_anew()
    side.store.book.append(entry(1.0, Note("it smells of pears"), "a-note"))
    side.send()

    assert len(standing(side, "reading")) == 192
    assert len(standing(side, "entry")) == 2
    assert side.told[-1] is not None


def test_a_bucket_that_begins_to_drop_what_is_old_gets_the_book_again_at_once(
    side: Side, tmp_path: Path
) -> None:
    side.store.book.append(entry(1.0, Note("it smells of pears"), "a-note"))
    side.clock_ms = int(time.time() * 1000)
    side.send()
    side.influx.keep_for(3 * 86_400)
    side.mono_s += EVERY_S
    side.send()

    restored = side.restore(tmp_path / "restored.db")
    assert sorted(e.id for e in restored.book.entries()) == sorted(e.id for e in side.store.book.entries())
    assert restored.book.sensor_stays() == side.store.book.sensor_stays()


def test_readings_that_were_deleted_there_are_found_by_their_number(side: Side) -> None:
    evaluate(side.store, [readings(2.0)])
    side.send()
    stand_in = side.influx.stand_in
    if stand_in is None:
        side.influx._ask(
            "POST",
            f"delete?{urllib.parse.urlencode({'org': side.influx.org, 'bucket': side.influx.bucket})}",
            {
                "start": "2026-09-01T00:00:00Z",
                "stop": "2026-09-02T00:00:00Z",
                "predicate": '_measurement="reading"',
            },
        )
    else:
        stand_in.points = {
            key: of for key, of in stand_in.points.items() if key[0] != "reading" or key[2] >= T0 + DAY_MS
        }
    side.mono_s += EVERY_S
    side.send()

    assert len(standing(side, "reading")) == 192
    assert [told and "holds 96 of 192 readings" in told[0] for told in side.told][-1] is True


def test_a_store_put_back_from_a_backup_is_told_that_the_server_holds_more(
    side: Side, tmp_path: Path
) -> None:
    evaluate(side.store, [readings(2.0)])
    side.send()
    side.store.database.execute("UPDATE mirror_state SET serial=serial-1")
    side.mono_s += EVERY_S
    side.send()

    assert side.told[-1] is not None
    assert "holds more than this store has sent" in side.told[-1][0]


def test_after_a_restored_backup_influx_fills_in_what_came_since(side: Side, tmp_path: Path) -> None:
    from mustwatch.store.backup import put_back, write_backup

    evaluate(side.store, [readings(2.0)])
    side.send()
    write_backup(side.store.path, tmp_path / "backup.db")
    lived_in(side)
    put_back(tmp_path / "backup.db", tmp_path / "restored.db")
    restored = side.restore(tmp_path / "restored.db")

    assert everything(restored)["readings"] == everything(side.store)["readings"]
    assert everything(restored)["entries"] == everything(side.store)["entries"]


def test_an_estimate_concluded_anew_replaces_the_one_that_was_sent(side: Side) -> None:
    given = readings(3.0)
    evaluation = evaluate(side.store, [given[:100] + given[140:]])
    side.send()
    for reading in given[100:140]:
        evaluation.take(reading)
    with side.store.transaction():
        evaluation.commit(NOW_MS)
    side.send()

    sent = standing(side, "estimate")
    known = {e.at_ms: (e.gravity, e.rate_per_day) for e in side.store.watching.estimates("kit")}
    assert {at: (row["gravity"], row.get("rate_per_day")) for at, row in sent.items()} == known


def standing(side: Side, measurement: str) -> dict[int, dict[str, object]]:
    rows = side.back().records(measurement)
    return {int(row["_time"].timestamp() * 1000): row for row in rows if not row.get("withdrawn")}


def test_two_cellars_in_one_bucket_do_not_see_each_other(side: Side, influx: Influx, tmp_path: Path) -> None:
    other = Side(influx, tmp_path / "other", f"barn {uuid.uuid4().hex[:8]}")
    evaluate(side.store, [readings(1.0)])
    evaluate(other.store, [readings(2.0)])
    side.send()
    other.send()

    assert side.restore(tmp_path / "a.db").readings.count() == 96
    assert other.restore(tmp_path / "b.db").readings.count() == 192


def test_an_empty_or_wrong_bucket_is_said_before_anything_is_moved(side: Side) -> None:
    with pytest.raises(BackupError, match="holds nothing of"):
        side.restore(Path("/nonexistent/never-made.db"))


def test_a_bucket_that_is_not_there_and_a_wrong_token_are_told_and_nothing_is_taken_for_sent(
    influx: Influx, tmp_path: Path
) -> None:
    side = Side(influx, tmp_path, f"shed {uuid.uuid4().hex[:8]}", bucket="no-such-bucket")
    evaluate(side.store, [readings(1.0)])
    for _ in range(5):
        side.mono_s += side.mirror.turn()
    depth = side.mirror.status.depth

    assert [told and told[0] for told in side.told] == [
        "127.0.0.1, bucket no-such-bucket answers 404 Not Found: there is no bucket no-such-bucket (influx.bucket), "
        "or the token may not write to it (influx.token)"
    ]
    assert depth >= 96
    side.writer.bucket = side.writer.bucket._replace(name=influx.bucket)
    side.send()
    assert side.told[-1] is None
    assert side.restore(tmp_path / "a.db").readings.count() == 96


def test_points_of_a_conflicting_type_are_set_aside_and_the_others_go_on(side: Side, tmp_path: Path) -> None:
    """A field's type is the server's by the first point of the week; here somebody wrote a text before us."""
    week_ms = T0 - 70 * DAY_MS
    poison = f'reading,site=elsewhere,cellar={uuid.uuid4().hex} signal_dbm="loud" {week_ms * 1_000_000}'
    side.writer.write(poison.encode())
    good = [r._replace(observed_ms=r.observed_ms - 70 * DAY_MS) for r in readings(0.1)]
    side.store.readings.add([Reading("float", week_ms + HOUR_MS + 1, T0, 1.05, signal_dbm=-60.0), *good])
    side.send()

    assert side.mirror.status.refused == 1
    assert [told and "1 points are refused" in told[0] for told in side.told] == [True]
    assert side.restore(tmp_path / "a.db").readings.count() == len(good)


@pytest.mark.broker
def test_from_the_float_through_the_daemon_into_influx_and_back_on_a_new_card(
    influx: Influx, mosquitto: Broker, daemon_with: Callable[[str], Daemon]
) -> None:
    cellar = f"shed {uuid.uuid4().hex[:8]}"
    daemon = daemon_with(
        f'[cellar]\nname = "{cellar}"\n[mqtt]\nport = {mosquitto.port}\n[web]\nenabled = false\n'
        f"{influx.toml(every_seconds=0.2)}"
        '[[vessel]]\nname = "bucket"\nkind = "bucket"\nlitres = 25\n'
        '[[sensor]]\nid = "float"\nkind = "float"\nvessel = "bucket"\ntopic = "cellar/float"\ndecoder = "senml"\n'
    )
    begins_ms = int(time.time() * 1000) - 2 * DAY_MS
    at = time.strftime("%Y-%m-%dT%H:%M:%S+00:00", time.gmtime(begins_ms / 1000 - 60))
    daemon.done("record", "start", "kit", "--vessel", "bucket", "--gravity", "1.050", "--at", at)
    daemon.start()
    payloads = [
        json.dumps(
            [{"bt": (begins_ms + n * 900_000) / 1000, "n": "gravity", "u": "/", "v": 1.05 - n * 1e-4}]
        ).encode()
        for n in range(180)
    ]
    mosquitto.publish(*[("cellar/float", payload) for payload in payloads])
    daemon.done("record", "note", "kit", "it smells of pears")
    there = InfluxRestore(Bucket(influx.url, influx.org, influx.bucket, influx.token), "home", cellar)
    wait_until(lambda: sum(1 for _ in there.records("reading")) == 180, 30, "mirrored")
    wait_until(lambda: sum(1 for _ in there.records("entry")) == 2, 30, "the book mirrored")
    daemon.stop()
    before = daemon.done("export", "--format", "csv")
    book = daemon.json("book", "kit")
    for file in daemon.folder.glob("cellar.db*"):
        file.unlink()

    done = daemon.json("restore", "--from-influx")

    assert (done["readings"], done["entries"]) == (180, 2)
    assert daemon.done("export", "--format", "csv") == before
    assert daemon.json("book", "kit")["entries"] == book["entries"]
