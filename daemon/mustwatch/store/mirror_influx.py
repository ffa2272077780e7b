"""A bucket of an InfluxDB 2: written to, read from, and asked what it keeps.

The library is imported on first use: it is the heaviest there is. In the daemon it lives in a process of its own
(``mustwatch.messenger.mirror_sender``); commands use it here.
"""

import json
from collections.abc import Iterator
from typing import Any, NamedTuple
from urllib.parse import urlsplit

from mustwatch.cellar.instant import from_ms
from mustwatch.store.mirror_marker import MEASUREMENT, Marker, Standing, newest
from mustwatch.store.mirror_verdict import ServerError, Verdict, cause, verdict_of

CONNECT_LIMIT_S = 10
ANSWER_LIMIT_S = 60
"""A server on an old card may take long over a batch; nobody waits for it but the mirror."""
FAR_MS = 7_258_118_400_000
"""The year 2200: what is written in the book may be of any time."""
PIVOT = '|> pivot(rowKey: ["_time"], columnKey: ["_field"], valueColumn: "_value")'


class Bucket(NamedTuple):
    """Where a bucket is, and what lets one in."""

    url: str
    org: str
    name: str
    token: str

    def __repr__(self) -> str:
        """Return it without the token."""
        return f"Bucket({self.shown})"

    @property
    def shown(self) -> str:
        """Return it as may be shown."""
        return f"{urlsplit(self.url).hostname or self.url}, bucket {self.name}"


class Whose(NamedTuple):
    """The tags of one cellar's points, as they are written."""

    site: str
    cellar: str

    @classmethod
    def of(cls, site: str, cellar: str) -> "Whose":
        """Return the tags for names: a backslash travels as another sign, see ``mirror_lines``."""
        return cls(site.replace("\\", "⧵"), cellar.replace("\\", "⧵"))


class InfluxServer:
    """One bucket. Every method raises ``ServerError`` when the server does not do it."""

    def __init__(self, bucket: Bucket) -> None:
        """Remember where; nothing is opened yet."""
        self.bucket = bucket
        self._client: Any = None

    @property
    def shown(self) -> str:
        """Return where it is, as may be shown."""
        return self.bucket.shown

    def write(self, body: bytes) -> None:
        """Write lines once."""
        from influxdb_client.service.write_service import WriteService

        service: Any = WriteService(self._opened().api_client)  # type: ignore[no-untyped-call]
        with _Explained(self.bucket, is_write=True):
            _, status, _ = service.post_write_with_http_info(
                self.bucket.org,
                self.bucket.name,
                body,
                precision="ns",
            )
        if status != 204:  # a page of somebody else's in between answers 200 to everything
            text = cause(status, "", "", self.bucket.org, self.bucket.name, is_write=True)
            raise ServerError(Verdict.CLOSED, text)

    def records(
        self,
        measurement: str,
        whose: Whose,
        from_ms: int = 0,
        until_ms: int | None = None,
        then: str = PIVOT,
    ) -> Iterator[dict[str, Any]]:
        """Stream a measurement's points of one cellar, the fields of each instant together."""
        stop = _flux_time(FAR_MS if until_ms is None else until_ms)
        flux = (
            f"from(bucket: {_flux_text(self.bucket.name)}) |> range(start: {_flux_time(from_ms)}, stop: {stop})"
            f" |> filter(fn: (r) => r._measurement == {_flux_text(measurement)}"
            f" and r.site == {_flux_text(whose.site)} and r.cellar == {_flux_text(whose.cellar)}) {then}"
        )
        with _Explained(self.bucket, is_write=False):
            for record in self._opened().query_api().query_stream(flux):
                yield record.values

    def count_readings(self, whose: Whose, from_ms: int, until_ms: int) -> int:
        """Return how many readings stand there in [from, until); those withdrawn are counted too."""
        then = '|> filter(fn: (r) => r._field == "received_ms") |> count()'
        return sum(
            int(record["_value"]) for record in self.records("reading", whose, from_ms, until_ms, then)
        )

    def retention_s(self) -> int | None:
        """Return after how many seconds the bucket drops points; 0: never; None: the token may not ask.

        Source: InfluxDB OSS v2 API, GET /api/v2/buckets, ``retentionRules``: none, or ``everySeconds`` 0: for ever.
        """
        try:
            with _Explained(self.bucket, is_write=False):
                found = self._opened().buckets_api().find_buckets(name=self.bucket.name, org=self.bucket.org)
        except ServerError as error:
            if error.verdict is Verdict.PASSING:
                raise
            return None
        for one in found.buckets or ():
            if one.name == self.bucket.name:
                return max((int(rule.every_seconds or 0) for rule in one.retention_rules or ()), default=0)
        return None

    def standing(self, whose: Whose) -> Standing:
        """Return what the bucket keeps, and the markers in it."""
        retention_s = self.retention_s()
        try:
            markers = [Marker.of_record(record) for record in self.records(MEASUREMENT, whose)]
        except ServerError as error:
            if error.verdict is Verdict.PASSING:
                raise
            is_told = "(influx.token)" in error.text
            return Standing(retention_s, None, error.text, is_told)
        except (KeyError, TypeError, ValueError) as error:
            return Standing(retention_s, None, f"its marker cannot be understood ({error})", True)
        return Standing(retention_s, newest(markers))

    def _opened(self) -> Any:
        if self._client is None:
            from influxdb_client.client.influxdb_client import InfluxDBClient

            self._client = InfluxDBClient(
                url=self.bucket.url,
                token=self.bucket.token,
                org=self.bucket.org,
                enable_gzip=True,
                timeout=(CONNECT_LIMIT_S * 1000, ANSWER_LIMIT_S * 1000),
            )
        return self._client

    def close(self) -> None:
        """Let go of the connection."""
        if self._client is not None:
            self._client.close()
            self._client = None


class _Explained:
    """Turns the library's errors into ``ServerError``."""

    def __init__(self, bucket: Bucket, *, is_write: bool) -> None:
        self._bucket = bucket
        self._is_write = is_write

    def __enter__(self) -> None:
        return None

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, _: object) -> None:
        from influxdb_client.client.flux_csv_parser import FluxCsvParserException, FluxQueryException
        from influxdb_client.rest import ApiException
        from urllib3.exceptions import HTTPError

        if isinstance(error, ApiException):
            raise self._of_answer(error) from None
        if isinstance(error, FluxQueryException):
            raise ServerError(Verdict.PASSING, f"broke off: {str(error.message)[:200]}") from None
        if isinstance(error, FluxCsvParserException):
            raise ServerError(Verdict.CLOSED, "answers what is no InfluxDB 2's (influx.url)") from None
        if isinstance(error, (HTTPError, OSError)):
            raise ServerError(Verdict.PASSING, f"cannot be reached ({type(error).__name__})") from None

    def _of_answer(self, error: Any) -> ServerError:
        status = int(error.status or 0)
        message = _message(error.body)
        headers = error.headers or {}
        retry_after = headers.get("Retry-After") or headers.get("retry-after")
        try:
            wait_s = float(retry_after) if retry_after else None
        except ValueError:
            wait_s = None
        org, bucket = self._bucket.org, self._bucket.name
        text = cause(status, error.reason or "", message, org, bucket, is_write=self._is_write)
        return ServerError(verdict_of(status, message), text, wait_s)


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


def _flux_time(at_ms: int) -> str:
    return from_ms(at_ms).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _flux_text(text: str) -> str:
    """Return a text as Flux writes it. Source: Flux language specification, string literals, from memory."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"').replace("${", "\\${").replace("\n", "\\n")
    return f'"{escaped}"'
