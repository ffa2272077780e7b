"""From an alert in the store to the mail: its chart goes along, and no failure to draw holds the message back."""

import io
import logging
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from PIL import Image

import cellars
from cellars import T0, entry, evaluate, new_store, readings
from daemons import Daemon
from endpoints import Mailbox, wait_until
from mustwatch.alerting.alert import Alert, Raise
from mustwatch.alerting.message import Message, MessageKind, written_message
from mustwatch.alerting.rules import TellTarget
from mustwatch.cellar.book import Start
from mustwatch.cellar.instant import DAY_MS, HOUR_MS, MINUTE_MS
from mustwatch.config.settings import Settings
from mustwatch.deliver.deliverer import Outcome, Parcel, TellAddress
from mustwatch.deliver.worker import OutboxWorker
from mustwatch.store.store import Store
from mustwatch.views.chart_png import chart_png
from mustwatch.views.message_picture import MessagePictures
from mustwatch.watch.finding import FindingKind, Severity, Subject, kind_named

CELLAR = """
[cellar]
name = "Hillside"
timezone = "UTC"
[[vessel]]
name = "bucket"
kind = "bucket"
litres = 30
[[sensor]]
id = "float"
kind = "float"
vessel = "bucket"
topic = "cellar/float"
decoder = "senml"
"""
SETTINGS = Settings.model_validate(
    {
        "vessel": [{"name": "bucket", "kind": "bucket", "litres": 30}],
        "sensor": [
            {"id": "float", "kind": "float", "vessel": "bucket", "topic": "cellar/float", "decoder": "senml"}
        ],
    }
)
TOLD_MS = T0 + 6 * DAY_MS


@pytest.fixture(scope="module")
def cellar(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """Return a store with six days of a kit wine that went through 1.010 on the fourth."""
    store = new_store(tmp_path_factory.mktemp("cellar") / "cellar.db")
    evaluate(store, [readings(6.0)])
    yield store
    store.close()


def pictures(store: Store) -> MessagePictures:
    return MessagePictures(store, SETTINGS, cellars.PLAN, chart_png)


def rack_due(store: Store) -> Alert:
    return next(a for a in store.alerts.of_lot("kit") if a.kind is kind_named("rack-due"))


def message(*alerts: Alert, kind: MessageKind = MessageKind.FIRST, target: str = "mail") -> Message:
    return Message(
        f"{kind.value}-{'-'.join(a.id for a in alerts)}",
        target,
        kind,
        tuple(a.id for a in alerts),
        Severity.NOTICE,
        "Ready to rack: kit in bucket",
        "Gravity 1.010.",
        TOLD_MS,
        TOLD_MS,
        TOLD_MS + 10_000 * DAY_MS,
    )


def made_alert(store: Store, kind: FindingKind, subject: Subject) -> Alert:
    alert = Alert(
        f"{kind.name}-made",
        kind,
        subject,
        (Raise(TOLD_MS - HOUR_MS, Severity.NOTICE, {"limit_celsius": 19.2}),),
        TOLD_MS,
    )
    store.alerts.save([alert])
    return alert


def test_a_message_about_a_wine_carries_one_png_of_its_lot(cellar: Store) -> None:
    (picture,) = pictures(cellar)(message(rack_due(cellar)))

    assert (picture.name, picture.media_type) == ("gravity.png", "image/png")
    assert len(picture.content) < 25_000
    assert Image.open(io.BytesIO(picture.content)).size == (640, 360)


def test_a_temperature_s_finding_shows_temperature(cellar: Store) -> None:
    (picture,) = pictures(cellar)(
        message(made_alert(cellar, kind_named("too-cold"), Subject("kit", "bucket")))
    )

    assert picture.name == "temperature.png"


def test_a_float_s_finding_that_names_no_lot_shows_the_one_it_swam_in(cellar: Store) -> None:
    alert = made_alert(cellar, kind_named("float-frozen"), Subject(None, "bucket", "float"))

    (picture,) = pictures(cellar)(message(alert))

    assert picture.name == "gravity.png"


def test_the_same_message_sent_again_later_carries_the_same_picture(tmp_path: Path) -> None:
    store = new_store(tmp_path / "c.db")
    evaluation = evaluate(store, [readings(6.0)])
    alert = rack_due(store)
    told = replace(message(alert), created_ms=alert.opened_ms + 16 * MINUTE_MS)
    (first,) = pictures(store)(told)
    for reading in readings(8.0, from_day=6.0):
        evaluation.take(reading)
    cellars.commit(store, evaluation)

    assert pictures(store)(told) == (first,)


def test_the_morning_s_review_carries_the_night(cellar: Store) -> None:
    review = written_message(
        MessageKind.REVIEW, "mail", "Good morning", "…", T0 + 5 * DAY_MS + 9 * HOUR_MS, DAY_MS, "night"
    )

    (picture,) = pictures(cellar)(review)

    assert picture.name == "night.png"


def test_nothing_goes_with_a_test_a_digest_or_what_concerns_no_wine(cellar: Store) -> None:
    silent = made_alert(cellar, kind_named("sensor-silent"), Subject("kit", "bucket", "float"))
    room = made_alert(cellar, kind_named("too-cold"), Subject(None, None, "room-probe"))
    gone = made_alert(cellar, kind_named("stuck"), Subject("no such lot", "bucket"))
    make = pictures(cellar)

    assert make(written_message(MessageKind.TEST, "mail", "Test", "…", TOLD_MS, DAY_MS)) == ()
    assert make(message(rack_due(cellar), silent, kind=MessageKind.DIGEST)) == ()
    assert make(message(rack_due(cellar), kind=MessageKind.DIGEST)) == ()
    for alert in (silent, room, gone):
        assert make(message(alert)) == ()
    unknown = replace(message(rack_due(cellar)), alert_ids=("stuck-aaaaaaaa",))
    assert make(unknown) == ()


def test_a_lot_without_estimates_has_no_picture(tmp_path: Path) -> None:
    store = new_store(tmp_path / "c.db", entry(0, Start("bucket", gravity=1.050)))
    alert = made_alert(store, kind_named("late-onset"), Subject("kit", "bucket"))

    assert pictures(store)(message(alert)) == ()


class Recording:
    """A deliverer that takes everything and keeps it."""

    def __init__(self) -> None:
        self.parcels: list[Parcel] = []

    def deliver(self, address: TellAddress, parcel: Parcel) -> Outcome:
        """Keep it."""
        self.parcels.append(parcel)
        return Outcome(True)


def test_a_picture_that_cannot_be_drawn_holds_no_message_back_and_is_said_once(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    def broken(_: object) -> bytes:
        raise ImportError("No module named 'PIL'")

    store = new_store(tmp_path / "c.db")
    evaluate(store, [readings(6.0)])
    alert = rack_due(store)
    store.outbox.put([message(alert), message(alert, kind=MessageKind.REPEAT)])
    taken = Recording()
    worker = OutboxWorker(
        store.outbox,
        taken,
        [TellAddress(TellTarget("mail"), "json://mail.example/")],
        lambda: TOLD_MS,
        pictures=MessagePictures(store, SETTINGS, cellars.PLAN, broken),
        start=lambda work: work(),
    )

    with caplog.at_level(logging.ERROR):
        for _ in range(4):
            worker.turn()

    assert [parcel.pictures for parcel in taken.parcels] == [(), ()]
    assert list(store.outbox.waiting()) == []
    assert [r.getMessage() for r in caplog.records if "picture" in r.getMessage()] == [
        f"messages go without pictures: one could not be drawn message={message(alert).id}"
    ]


def test_a_daemon_s_mail_arrives_with_the_chart(tmp_path: Path, mailbox: Mailbox) -> None:
    daemon = Daemon(
        tmp_path,
        f'{CELLAR}\n[mqtt]\nport = 1\n[web]\nenabled = false\n[[tell]]\nname = "mail"\nurl = "{mailbox.url}"',
    )
    store = new_store(daemon.store)
    evaluate(store, [readings(6.0)])
    store.outbox.put([message(rack_due(store))])
    store.close()

    daemon.start(listening=False)
    try:
        wait_until(lambda: any("rack" in m["Subject"] for m in mailbox.mails), "the mail")
    finally:
        daemon.stop()

    mail = next(m for m in mailbox.mails if "rack" in m["Subject"])
    (attached,) = mail.iter_attachments()
    assert (attached.get_content_type(), attached.get_filename()) == ("image/png", "gravity.png")
    picture = Image.open(io.BytesIO(attached.get_content()))
    assert (picture.format, picture.size) == ("PNG", (640, 360))
    text = mail.get_body(("plain",))
    assert text is not None
    assert "Gravity 1.010." in text.get_content()


def test_the_daemon_starts_without_importing_the_imaging_library() -> None:
    ask = "import sys, mustwatch.app.service; print('PIL' in sys.modules)"

    assert (
        subprocess.run([sys.executable, "-c", ask], capture_output=True, text=True, check=True).stdout
        == "False\n"
    )
