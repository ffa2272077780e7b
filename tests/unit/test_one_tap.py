"""The link of a message that acknowledges with one tap: signed, for a few days, for what the message told."""

from dataclasses import replace

import pytest

from mustwatch.alerting import lifecycle
from mustwatch.alerting.alert import Alert, Raise
from mustwatch.alerting.message import Message, MessageKind
from mustwatch.alerting.one_tap import LIFE_MS, PATH, OneTap, secret_of, still_asks
from mustwatch.watch.finding import Severity, Subject, kind_named

NOW_MS = 1_788_264_000_000
TAP = OneTap(secret_of("a token"), "http://cellar.lan:8714/")
ALERT = Alert(
    "too-cold-abc", kind_named("too-cold"), Subject("kit"), (Raise(NOW_MS, Severity.WARNING),), NOW_MS
)
MESSAGE = Message(
    "first-0123", "phone", MessageKind.FIRST, (ALERT.id,), Severity.WARNING, "T", "B", NOW_MS, NOW_MS, NOW_MS
)


def token(link: str) -> str:
    return link.partition(PATH)[2]


def test_a_link_speaks_for_its_message_until_it_expires() -> None:
    link = TAP.link(MESSAGE)

    assert link.startswith("http://cellar.lan:8714/told/first-0123.")
    assert TAP.message_id(token(link), NOW_MS) == MESSAGE.id
    assert TAP.message_id(token(link), NOW_MS + LIFE_MS - 1) == MESSAGE.id
    assert TAP.message_id(token(link), NOW_MS + LIFE_MS) is None


@pytest.mark.parametrize(
    "change",
    [
        lambda text: text.replace("first-0123", "first-0124"),
        lambda text: text.replace(str(NOW_MS + LIFE_MS), str(NOW_MS + 9 * LIFE_MS)),
        lambda text: text[:-1] + ("0" if text[-1] != "0" else "1"),
        lambda _: "",
        lambda _: "..",
        lambda _: "first-0123.\u00e9.\u00e9",
    ],
)
def test_a_link_that_was_changed_is_not_ours(change: object) -> None:
    assert TAP.message_id(change(token(TAP.link(MESSAGE))), NOW_MS) is None  # type: ignore[operator]


def test_a_new_token_of_the_pages_ends_every_link() -> None:
    other = replace(TAP, secret=secret_of("another token"))

    assert other.message_id(token(TAP.link(MESSAGE)), NOW_MS) is None


def test_what_leaves_nothing_to_acknowledge_has_no_link() -> None:
    assert TAP.link(replace(MESSAGE, alert_ids=())) == ""
    for kind in (MessageKind.OVER, MessageKind.PAST, MessageKind.WITHDRAWN):
        assert TAP.link(replace(MESSAGE, kind=kind)) == ""


def test_it_is_good_once_and_for_no_more_than_the_message_told() -> None:
    known = lifecycle.acknowledge(ALERT, NOW_MS + 1)
    worse = lifecycle.raise_to(ALERT, Raise(NOW_MS + 1, Severity.URGENT), ALERT.subject, NOW_MS + 1)

    assert still_asks(ALERT, MESSAGE)
    assert not still_asks(known, MESSAGE)
    assert not still_asks(lifecycle.recall(known, NOW_MS + 2), MESSAGE), "undone, it takes a newer message"
    assert not still_asks(worse, MESSAGE)
    assert not still_asks(lifecycle.clear(ALERT, NOW_MS + 1, {}, NOW_MS + 1), MESSAGE)
