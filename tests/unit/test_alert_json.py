"""An alert as others read it: the contract of ``mustwatch alerts --json``, identity, and the way to disk and back."""

import json
from datetime import datetime

from mustwatch.alerting.alert import Alert, Held, Raise, Telling, alert_id, key_of
from mustwatch.watch.finding import Severity, Subject, kind_named

OPENED_MS = 1_788_264_000_000  # 2026-09-01T12:00Z
CONTRACT = {
    "id",
    "kind",
    "severity",
    "lot",
    "vessel",
    "sensor",
    "opened_at",
    "cleared_at",
    "acknowledged_at",
    "told_at",
    "summary",
    "evidence",
}

FULL = Alert(
    id="too-warm-abcd2345",
    kind=kind_named("too-warm"),
    subject=Subject("Elder Red", "bucket-1"),
    raises=(
        Raise(OPENED_MS, Severity.WARNING, {"celsius": 27.3, "limit_celsius": 26.0}),
        Raise(OPENED_MS + 1500, Severity.URGENT, {"celsius": 33.1, "note": None}),
    ),
    noticed_ms=OPENED_MS + 2000,
    cleared_ms=OPENED_MS + 9000,
    cleared_evidence={"celsius": 25.4},
    acknowledged_ms=OPENED_MS + 5000,
    told_ms=OPENED_MS + 3000,
    summary="Much too warm: Elder Red in bucket-1.",
    tellings={
        "phone": Telling(Severity.URGENT, OPENED_MS, 3, True, Held.QUIET_HOURS, (OPENED_MS,), OPENED_MS + 1),
        "mail": Telling(),
    },
)


def test_the_public_shape_is_that_of_the_contract() -> None:
    public = FULL.public()

    assert set(public) >= CONTRACT
    assert json.loads(json.dumps(public)) == public
    assert public["severity"] == "urgent"
    assert public["opened_at"] == "2026-09-01T12:00:00+00:00"
    assert datetime.fromisoformat(public["cleared_at"]).utcoffset() is not None
    assert public["evidence"] == {"celsius": 33.1, "note": None}


def test_what_has_not_happened_is_null() -> None:
    fresh = Alert(
        "x", kind_named("stuck"), Subject("Elder Red"), (Raise(OPENED_MS, Severity.WARNING),), OPENED_MS
    )

    assert [fresh.public()[key] for key in ("cleared_at", "acknowledged_at", "told_at", "sensor")] == [
        None
    ] * 4


def test_an_alert_is_read_back_from_disk_as_it_was_written() -> None:
    assert Alert.from_json(json.loads(json.dumps(FULL.to_json()))) == FULL


def test_identity_is_the_lot_or_the_sensor_or_the_daemon() -> None:
    lot, sensor = Subject("Elder Red", "bucket-1", "float-3"), Subject(sensor="room")

    assert key_of(kind_named("too-warm"), lot) == ("too-warm", "lot:Elder Red")
    assert key_of(kind_named("float-frozen"), lot) == ("float-frozen", "sensor:float-3")
    assert key_of(kind_named("too-cold"), sensor) == ("too-cold", "sensor:room")
    assert key_of(kind_named("too-cold"), Subject(vessel="tank-1")) == ("too-cold", "vessel:tank-1")
    assert key_of(kind_named("storage-trouble"), Subject()) == ("storage-trouble", "daemon")


def test_the_vessel_does_not_count_for_identity() -> None:
    before, racked = Subject("Elder Red", "bucket-1"), Subject("Elder Red", "carboy-2")

    assert key_of(kind_named("too-warm"), before) == key_of(kind_named("too-warm"), racked)


def test_an_id_is_short_says_its_kind_and_is_always_the_same() -> None:
    key = key_of(kind_named("too-warm"), Subject("Elder Red"))

    made = alert_id(key, OPENED_MS)

    assert made.startswith("too-warm-")
    assert len(made) == len("too-warm-") + 8
    assert made == alert_id(key, OPENED_MS)
    assert made != alert_id(key, OPENED_MS + 1)
    assert made != alert_id(key_of(kind_named("too-warm"), Subject("Plain White")), OPENED_MS)


def test_an_id_that_is_taken_is_not_given_twice() -> None:
    key = key_of(kind_named("too-warm"), Subject("Elder Red"))
    first = alert_id(key, OPENED_MS)
    second = alert_id(key, OPENED_MS, {first})

    assert len({first, second, alert_id(key, OPENED_MS, {first, second})}) == 3
