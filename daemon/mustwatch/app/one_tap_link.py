"""Whether messages carry a link that acknowledges them: where the pages have an address of their own and a token."""

from collections.abc import Callable

from mustwatch.alerting.message import Message
from mustwatch.alerting.one_tap import OneTap, secret_of
from mustwatch.config.settings import Settings


def one_tap_of(settings: Settings) -> OneTap | None:
    """Return what signs and reads the links, or None: then a message's link leads to the alerts' page as before."""
    web = settings.web
    if not web.enabled or web.base_url is None or web.token is None:
        return None
    return OneTap(secret_of(web.token.get_secret_value()), web.base_url)


def link_of(settings: Settings) -> Callable[[Message], str]:
    """Return what gives a message its link, an empty text where there is none."""
    one_tap = one_tap_of(settings)
    return (lambda message: "") if one_tap is None else one_tap.link
