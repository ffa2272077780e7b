"""Delivers through Apprise: one target per call, tried once, believed only when it says so for certain.

The library is imported when it is prepared for somebody or something is first sent, not before; the daemon has it
done in another process (``mustwatch.messenger``). Setting a channel up opens nothing, so that a network that is away
at boot does not matter.
"""

import logging
import re
import threading
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from http import HTTPStatus
from typing import TYPE_CHECKING, Any

from mustwatch.deliver.apprise_plugins import load_for
from mustwatch.deliver.deliverer import Outcome, Parcel, TellAddress

if TYPE_CHECKING:
    import apprise

READ_LIMIT_S = 10.0
CONNECT_LIMIT_S = 10.0
"""How long one connection and one answer may take. A URL's own ``cto`` and ``rto`` may shorten, not lengthen it."""

REFUSED_FOR_ITSELF = frozenset({400, 406, 413, 414, 415, 422})
"""Answers that speak of the message and not of the way: malformed, too long, of a kind not taken."""

NOTIFY_TYPE = {"urgent": "failure", "warning": "warning", "notice": "info"}

_said: ContextVar[list[str] | None] = ContextVar("said", default=None)


class _Listener(logging.Filter):
    """Hears what is logged during a sending, to learn why it failed, and lets none of it into the daemon's log.

    The library and the HTTP client below it write addresses into their log lines, tokens and all.
    """

    def filter(self, record: logging.LogRecord) -> bool:
        """Take a record; it goes on only if nothing is being sent."""
        said = _said.get()
        if said is None:
            return not record.name.startswith("apprise")
        if len(said) < MOST_HEARD:
            said.append(record.getMessage()[:500])
        return False


MOST_HEARD = 200
"""Log lines kept of one sending; a plugin says what went wrong in its last few, and no more than a few dozen."""

_set_up = threading.Lock()


class AppriseDeliverer:
    """A ``Deliverer`` for every channel Apprise knows."""

    def __init__(self) -> None:
        """Make one; nothing is imported or opened yet."""
        self._channels: dict[str, Any] = {}

    def prepare(self, addresses: Iterable[TellAddress]) -> None:
        """Import what is needed to tell these and set their channels up, beside the drawing of the picture."""
        for address in addresses:
            self._channel(address)

    def deliver(self, address: TellAddress, parcel: Parcel) -> Outcome:
        """Try once. Bounded by the limits above for each step of the channel's own protocol."""
        channel = self._channel(address)
        if channel is None:
            return Outcome(False, f"{address.shown}: not a notification address the library understands")
        began = time.monotonic()
        with _listening() as said:
            try:
                result = self._notify(channel, parcel)
            except Exception as error:  # noqa: BLE001 - plugins of many authors; its text may hold the address
                return Outcome(False, f"{address.shown}: {type(error).__name__}", may_have_arrived=True)
        if is_delivered(result):
            return Outcome(True)
        return _failure(address, said, time.monotonic() - began)

    def _channel(self, address: TellAddress) -> Any:
        channel = self._channels.get(address.name)
        if channel is None:
            channel = understood(address.url)
            if channel is not None:
                self._channels[address.name] = channel
        return channel

    def _notify(self, channel: Any, parcel: Parcel) -> Any:
        import apprise

        sender = apprise.Apprise(asset=channel.asset)
        sender.add(channel)
        return sender.notify(
            body=parcel.body,
            title=parcel.title,
            notify_type=NOTIFY_TYPE.get(parcel.severity, "info"),
            body_format=apprise.NotifyFormat.TEXT,
            attach=self._attachments(channel, parcel),
        )

    def _attachments(self, channel: Any, parcel: Parcel) -> Any:
        if not parcel.pictures or not channel.attachment_support:
            return None
        from apprise.attachment.memory import AttachMemory

        return [
            AttachMemory(  # type: ignore[no-untyped-call]
                content=picture.content, name=picture.name, mimetype=picture.media_type
            )
            for picture in parcel.pictures
        ]


def understood(url: str) -> "apprise.NotifyBase | None":
    """Return the library's channel for a URL, or None if it does not understand it. Opens nothing."""
    with _set_up:
        import apprise

        from mustwatch.deliver import http_answers

        http_answers.hold_to_bounds()
        _quieten()
        load_for(url)
        asset = apprise.AppriseAsset(app_id="mustwatch", app_desc="mustwatch", app_url="", async_mode=False)
        channel = apprise.Apprise.instantiate(url, asset=asset)
    if channel is None:
        return None
    # One attempt per call, and a failure is a failure: the outbox retries, on disk and for days.
    channel.optional = False
    channel.retry = 0
    channel.socket_connect_timeout = _bounded(channel.socket_connect_timeout, CONNECT_LIMIT_S)
    channel.socket_read_timeout = _bounded(channel.socket_read_timeout, READ_LIMIT_S)
    return channel


def _bounded(asked: float | None, limit: float) -> float:
    return min(float(asked), limit) if asked and asked > 0 else limit


def _quieten() -> None:
    """Put the listener where the library and the HTTP client below it log."""
    for name in ("apprise", "urllib3.connectionpool"):
        logger = logging.getLogger(name)
        if not any(isinstance(existing, _Listener) for existing in logger.filters):
            logger.addFilter(_Listener())
    # What the library says at debug level is what tells a refused connection from a silent one.
    logging.getLogger("apprise").setLevel(logging.DEBUG)


@contextmanager
def _listening() -> Iterator[list[str]]:
    said: list[str] = []
    token = _said.set(said)
    try:
        yield said
    finally:
        _said.reset(token)


def is_delivered(result: Any) -> bool:
    """Say whether the library's answer means that the one target took the message.

    Older versions answer True, False or None (nothing was sent); newer ones a result whose status must be
    success and which must have had one service and no failure. Anything else is no.
    """
    if result is True:
        return True
    status = getattr(result, "status", None)
    return status is not None and status == 0 and getattr(result, "success_count", 0) == 1


def _failure(address: TellAddress, said: list[str], took_s: float) -> Outcome:
    """Return why it failed, in words of our own: the library's could hold secrets."""
    text = "\n".join(said)
    code = re.search(r"error=(\d{3})\b", text)
    if code is not None:
        status = int(code.group(1))
        phrase = HTTPStatus(status).phrase if status in HTTPStatus._value2member_map_ else "an error"
        if 300 <= status < 400:
            phrase += "; it has moved, or wants a sign-in: give the address that takes the message itself"
        return Outcome(
            False, f"{address.shown}: answered {status} {phrase}", is_refusal=status in REFUSED_FOR_ITSELF
        )
    mail_code = re.search(r"(?:\(|refused: )([45]\d\d)[ ,]", text)
    if mail_code is not None:
        return Outcome(False, f"{address.shown}: the mail server answered {mail_code.group(1)}")
    lowered = text.lower()
    for words, meaning, may_have_arrived in _MEANINGS:
        if any(word in lowered for word in words):
            return Outcome(False, f"{address.shown}: {meaning}", may_have_arrived)
    return Outcome(False, f"{address.shown}: not accepted (after {took_s:.1f} s)")


_MEANINGS: tuple[tuple[tuple[str, ...], str, bool], ...] = (
    (("name or service not known", "name resolution", "getaddrinfo"), "its name is unknown", False),
    (("connection refused", "errno 111"), "connection refused", False),
    (("connect timeout", "timed out. (connect"), "cannot be reached in time", False),
    (("network is unreachable", "no route to host"), "cannot be reached", False),
    (("certificate verify failed", "sslerror", "[ssl"), "its certificate is not trusted", False),
    (("read timed out", "timed out", "timeout"), "no answer in time", True),
    (
        ("remote end closed", "connection aborted", "connection reset", "unexpectedly closed"),
        "broke off",
        True,
    ),
)
"""What the library's words mean: words to find, in order; what is said instead; whether it may have arrived."""
