"""What a mirror server's answer means."""

from enum import Enum

WRITE_ONLY = "takes points, but the token may not read them (influx.token)"
"""What a server that has taken points means by not knowing the bucket."""


class Verdict(Enum):
    """What a failure means for what was asked."""

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


class ServerError(Exception):
    """The server did not do it; the text says why, without any secret."""

    def __init__(self, verdict: Verdict, text: str, retry_after_s: float | None = None) -> None:
        """Keep the verdict, and for how long the server asks to be left alone."""
        super().__init__(verdict, text, retry_after_s)
        self.verdict = verdict
        self.text = text
        self.retry_after_s = retry_after_s

    def __str__(self) -> str:
        """Return why."""
        return self.text


def verdict_of(status: int, message: str) -> Verdict:
    """Return what an HTTP status and the server's message mean.

    Source: InfluxDB OSS v2 API, POST /api/v2/write: 204 written, 400 malformed or partly refused, 401, 404, 413, 422
    partly refused, 429 and 503 with Retry-After. That points beyond the bucket's retention are answered as a partial
    write was read in the server's code (v2.7, ``v1/coordinator/points_writer.go``).
    """
    if status in (400, 422):
        return Verdict.TOO_OLD if "retention policy" in message else Verdict.REFUSED
    if status == 413:
        return Verdict.TOO_LARGE
    if status in (0, 408, 425, 429) or status >= 500:
        return Verdict.PASSING
    return Verdict.CLOSED


def cause(status: int, reason: str, message: str, org: str, bucket: str, *, is_write: bool) -> str:
    """Return a failure in words that name what to change in the configuration."""
    do = "write to" if is_write else "read"
    known = {
        401: "the token is not accepted (influx.token)",
        403: f"the token may not {do} bucket {bucket} (influx.token)",
    }.get(status, "")
    if status == 404:
        if "organization" in message:
            known = f"there is no organisation {org} that this token may see (influx.org)"
        elif "bucket" in message:
            known = (
                f"there is no bucket {bucket} (influx.bucket), or the token may not {do} it (influx.token)"
            )
        else:
            known = "it is no InfluxDB 2 (influx.url)"
    if status < 400 and status != 0:
        known = "only 204 says that points were written; something else answers there (influx.url)"
    said = f"answers {status} {reason}".rstrip()
    return f"{said}: {known or message[:200]}" if known or message else said
