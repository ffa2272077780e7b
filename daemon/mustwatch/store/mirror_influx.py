"""The mirror's writer: one batch to InfluxDB 2, once, and what its answer means.

The library is imported on first use: it is the heaviest there is, and most cellars have no mirror.
"""

import json
import logging
from enum import Enum
from typing import Any
from urllib.parse import urlsplit

log = logging.getLogger(__name__)

CONNECT_LIMIT_S = 10
ANSWER_LIMIT_S = 60
"""A server on an old card may take long over a batch; nobody waits for it but the mirror."""


class Verdict(Enum):
    """What a failed write means for what was sent."""

    PASSING = "passing"
    """The server is away or busy: the same again, later."""
    CLOSED = "closed"
    """The server will have nothing from us as things are: token, bucket, organisation. Somebody must see to it."""
    REFUSED = "refused"
    """The server was reached and does not want some of these very points."""
    TOO_LARGE = "too large"
    """The same, in smaller batches."""
    TOO_OLD = "too old"
    """The server keeps nothing so old, by its own rule, and took the rest: as good as written."""


class WriteError(Exception):
    """A batch was not taken; the text says why, without any secret."""

    def __init__(self, verdict: Verdict, text: str, retry_after_s: float | None = None) -> None:
        """Keep the verdict, and for how long the server asks to be left alone."""
        super().__init__(text)
        self.verdict = verdict
        self.retry_after_s = retry_after_s


_HINT = {
    401: "the token is not accepted (influx.token)",
    403: "the token may not write there (influx.token)",
    404: "there is no such bucket or organisation (influx.bucket, influx.org), or it is no InfluxDB 2 (influx.url)",
}


def verdict_of(status: int, message: str) -> Verdict:
    """Return what an HTTP status and the server's message mean.

    Source: InfluxDB OSS v2 API, POST /api/v2/write: 400 malformed or partly refused, 401, 404, 413, 422 partly
    refused, 429 and 503 with Retry-After. That points beyond the bucket's retention are answered as a partial
    write was read in the server's code (v2.7, ``v1/coordinator/points_writer.go``).
    """
    if status in (400, 422):
        return Verdict.TOO_OLD if "retention policy" in message else Verdict.REFUSED
    if status == 413:
        return Verdict.TOO_LARGE
    if status in (408, 425, 429) or status >= 500 or status < 300:
        return Verdict.PASSING
    return Verdict.CLOSED


class InfluxWriter:
    """Writes to one bucket."""

    def __init__(self, url: str, org: str, bucket: str, token: str) -> None:
        """Remember where to; nothing is opened yet."""
        self._url = url
        self._org = org
        self._bucket = bucket
        self._token = token
        self._api: Any = None
        self._client: Any = None

    @property
    def shown(self) -> str:
        """Return where it writes, as may be shown."""
        return f"{urlsplit(self._url).hostname or self._url}, bucket {self._bucket}"

    def write(self, body: bytes) -> None:
        """Write lines once.

        Raises:
            WriteError: they were not all taken.
        """
        from influxdb_client.rest import ApiException
        from urllib3.exceptions import HTTPError

        try:
            self._opened().write(self._bucket, self._org, body, write_precision="ns")
        except ApiException as error:
            raise _write_error(error) from None
        except (HTTPError, OSError) as error:
            raise WriteError(Verdict.PASSING, f"cannot be reached ({type(error).__name__})") from None

    def _opened(self) -> Any:
        if self._api is None:
            from influxdb_client.client.influxdb_client import InfluxDBClient
            from influxdb_client.client.write_api import SYNCHRONOUS

            self._client = InfluxDBClient(
                url=self._url,
                token=self._token,
                org=self._org,
                enable_gzip=True,
                timeout=(CONNECT_LIMIT_S * 1000, ANSWER_LIMIT_S * 1000),
            )
            self._api = self._client.write_api(write_options=SYNCHRONOUS)
        return self._api

    def close(self) -> None:
        """Let go of the connection."""
        if self._client is not None:
            self._client.close()
            self._client = self._api = None


def _write_error(error: Any) -> WriteError:
    status = int(error.status or 0)
    message = _message(error.body)
    headers = error.headers or {}
    retry_after = headers.get("Retry-After") or headers.get("retry-after")
    text = f"answers {status} {error.reason or ''}".rstrip()
    if status in _HINT:
        text += f": {_HINT[status]}"
    elif message:
        text += f": {message[:200]}"
    try:
        wait_s = float(retry_after) if retry_after else None
    except ValueError:
        wait_s = None
    return WriteError(verdict_of(status, message), text, wait_s)


def _message(body: Any) -> str:
    text = body.decode("utf-8", "replace") if isinstance(body, bytes) else str(body or "")
    try:
        parsed = json.loads(text)
    except ValueError:
        return text.strip()
    if isinstance(parsed, dict):
        said = [str(parsed[key]) for key in ("message", "error", "err") if parsed.get(key)]
        return "; ".join(dict.fromkeys(said)) or text
    return text
