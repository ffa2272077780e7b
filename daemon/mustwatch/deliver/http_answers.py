"""What an HTTP endpoint may answer, for all of the notification library's plugins at one place: below ``requests``.

A redirect is not followed. After 301, 302 or 303 the request would become a GET, and the page it leads to (mostly one
to sign in) would answer 200 to that. After 307 and 308 it stays what it was, but pages to sign in answer 200 to a POST
too, and the message and its passwords would go where nobody sent them. So the message waits, and whoever looks is told
that the address has moved. What was answered is read no further than its first kilobytes.
"""

import logging
import time
from typing import Any

import requests.adapters
import requests.exceptions
import requests.sessions
import urllib3.exceptions

MOST_READ_BYTES = 64 * 1024
"""Enough for what plugins look up before they send (a token, a list of rooms); no room for what floods memory."""

READ_FOR_S = 10.0
"""An answer that drips on is left after this long: its status is what counts."""

log = logging.getLogger("apprise")
"""Where a deliverer listens for the reason of a failure."""


class BoundedAdapter(requests.adapters.HTTPAdapter):
    """Sends one request and takes in the beginning of its answer."""

    def send(self, request: requests.PreparedRequest, *given: Any, **how: Any) -> requests.Response:
        """Send a request.

        Raises:
            requests.exceptions.TooManyRedirects: it is answered with a redirect.
            requests.exceptions.RequestException: as of ``requests``; every plugin takes it for a failure.
        """
        response = super().send(request, *given, **how | {"stream": True})
        try:
            if 300 <= response.status_code < 400:
                log.debug("error=%d", response.status_code)
                raise requests.exceptions.TooManyRedirects("redirected", response=response)
            content = _beginning(response.raw)
        finally:
            response.close()
        response._content, response._content_consumed = content, True
        return response


def _beginning(raw: Any) -> bytes:
    """Return what can be read of an answer within the limits."""
    content, ends = bytearray(), time.monotonic() + READ_FOR_S
    try:
        while len(content) < MOST_READ_BYTES and time.monotonic() < ends:
            piece = raw.read1(MOST_READ_BYTES - len(content), decode_content=True)
            if not piece:
                break
            content += piece
    except (urllib3.exceptions.HTTPError, OSError) as error:
        raise requests.exceptions.ConnectionError(error) from None
    return bytes(content)


def hold_to_bounds() -> None:
    """Have every session that is made from now on send through ``BoundedAdapter``."""
    requests.sessions.HTTPAdapter = BoundedAdapter  # type: ignore[attr-defined]
