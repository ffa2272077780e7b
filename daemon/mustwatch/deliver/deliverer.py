"""What a deliverer is: it takes one message to one target, once, in bounded time, and says how it went."""

from dataclasses import dataclass, field
from typing import Protocol
from urllib.parse import urlsplit

from mustwatch.alerting.rules import TellTarget


@dataclass(frozen=True, slots=True)
class TellAddress:
    """A target and the address under which it is told. The URL is a secret: it is never shown, not in ``repr``."""

    target: TellTarget
    url: str = field(repr=False)

    @property
    def name(self) -> str:
        """Return the target's name."""
        return self.target.name

    @property
    def shown(self) -> str:
        """Return what may be shown of the address: the scheme and, where it is a server of one's own, the host."""
        return redacted(self.url)


HOST_IS_A_HOST = frozenset(
    {"json", "jsons", "xml", "xmls", "form", "forms", "mailto", "mailtos", "mqtt", "mqtts"}
)
"""Schemes whose host part is a host. With the others it can be a token, so that only the scheme is shown."""


def redacted(url: str) -> str:
    """Return a URL's scheme and, if it is a host for sure, its host: the most that is ever shown of an address."""
    scheme, separator, _ = url.partition("://")
    scheme = scheme.lower()
    if not separator or not scheme.isascii() or not scheme.replace("+", "").replace("-", "").isalnum():
        return "(hidden)"
    if scheme not in HOST_IS_A_HOST:
        return f"{scheme}://…"
    try:
        host = urlsplit(url).hostname
    except ValueError:
        host = None
    return f"{scheme}://{host or '…'}"


@dataclass(frozen=True, slots=True)
class Picture:
    """A small chart to go with a message: a file name with its ending, the media type, and the bytes."""

    name: str
    media_type: str
    content: bytes = field(repr=False)


@dataclass(frozen=True, slots=True)
class Parcel:
    """What is handed to a deliverer: title, plain-text body, how urgent it is, and pictures."""

    title: str
    body: str
    severity: str = "notice"
    pictures: tuple[Picture, ...] = ()


@dataclass(frozen=True, slots=True)
class Outcome:
    """How a delivery went.

    Attributes:
        delivered: the other side took it, for certain.
        error: why not, without any secret; None if delivered.
        may_have_arrived: it was not confirmed, but the other side may have it (no answer in time).
        is_refusal: the other side was reached and did not want this very message (too long, malformed).
    """

    delivered: bool
    error: str | None = None
    may_have_arrived: bool = False
    is_refusal: bool = False


class Deliverer(Protocol):
    """Takes one parcel to one address, trying once. Never raises; is called from one thread per target."""

    def deliver(self, address: TellAddress, parcel: Parcel) -> Outcome:
        """Try to deliver once and say how it went."""
        ...
