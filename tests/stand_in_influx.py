"""A STAND-IN for an InfluxDB 2, for machines that have none: what the mirror uses of the HTTP API, and nothing else.

It is not InfluxDB. It answers POST /api/v2/write, POST /api/v2/query and GET /api/v2/buckets as the v2 API's reference
describes them, from points kept in memory, and understands the mirror's few Flux queries by their shape; any other is
answered 400. What a test passes with here it must also pass with against a real server: `influx` in tests/mirrors.py.

Sources: InfluxDB OSS v2 API reference (paths, parameters, statuses, retention rules); "Annotated CSV" (answers); "Line
protocol". Words of errors, what a token without a right sees, and that a field's type is one a week: from memory.
"""

import csv
import gzip
import io
import json
import re
import threading
import time
import urllib.parse
from collections import defaultdict
from collections.abc import Iterator
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any, NamedTuple

WEEK_MS = 7 * 86_400_000
_LINE = re.compile(r"((?:[^ \\]|\\.)+) ((?:\"(?:[^\"\\]|\\.)*\"|[^ \"])+) (\d+)")
_FIELD = re.compile(r'((?:[^,= \\]|\\.)+)=("(?:[^"\\]|\\.)*"|[^,]+)')
_TAG_SPLIT = re.compile(r"(?<!\\),")
_TEXT = r'"(?:[^"\\]|\\.)*"'
_QUERY = re.compile(
    rf"from\(bucket: (?P<bucket>{_TEXT})\) \|> range\(start: (?P<start>[^,)]+)(?:, stop: (?P<stop>\S+))?\)"
    rf" \|> filter\(fn: \(r\) => (?P<where>r\.\w+ == {_TEXT}(?: and r\.\w+ == {_TEXT})*)\)(?P<then>.*)"
)
_CONDITION = re.compile(rf"r\.(\w+) == ({_TEXT})")
_PIVOT = '|> pivot(rowKey: ["_time"], columnKey: ["_field"], valueColumn: "_value")'
_FIRST = '|> first() |> keep(columns: ["_time"])'
_COUNT = re.compile(rf"\|> filter\(fn: \(r\) => r\._field == ({_TEXT})\) \|> count\(\)")
Value = str | int | float | bool
Tags = tuple[tuple[str, str], ...]
Row = dict[str, Any]


class RefusalError(Exception):
    """An answer other than well."""

    def __init__(self, status: int, code: str, message: str) -> None:
        super().__init__(message)
        self.status = status
        self.body = json.dumps({"code": code, "message": message}).encode()


class Rights(NamedTuple):
    """What a token may."""

    read: bool = True
    write: bool = True


class StandInInflux:
    """One organisation with one bucket."""

    def __init__(self, org: str = "home", bucket: str = "cellar", token: str = "stand-in") -> None:  # noqa: S107
        self.org, self.bucket, self.token = org, bucket, token
        self.tokens = {token: Rights()}
        self.retention_s = 0
        self.points: dict[tuple[str, Tags, int], dict[str, Value]] = {}
        self.types: dict[tuple[str, str, int], type] = {}
        self.is_full = False
        self.redirects = False
        self.cut_queries_of: str | None = None
        """Answers to queries of this measurement break off half-way."""
        self.requests: list[str] = []
        self.lock = threading.Lock()
        self.server: ThreadingHTTPServer | None = None
        self.port = 0
        self.start()

    @property
    def url(self) -> str:
        """Return its address."""
        return f"http://127.0.0.1:{self.port}"

    def start(self) -> None:
        """Listen, on the port it had before."""
        server = self

        class Handler(_Handler):
            stand_in = server

        self.server = ThreadingHTTPServer(("127.0.0.1", self.port), Handler)
        self.server.daemon_threads = True
        self.port = self.server.server_address[1]
        threading.Thread(target=self.server.serve_forever, daemon=True).start()

    def stop(self) -> None:
        """Be away."""
        if self.server is not None:
            self.server.shutdown()
            self.server.server_close()
            self.server = None

    def make_anew(self) -> None:
        """Be another server under the same names, with the same token: nothing is in it."""
        with self.lock:
            self.points.clear()
            self.types.clear()

    # --- what it holds ---------------------------------------------------------------------------------------

    def write(self, body: str, now_ms: int) -> None:
        dropped, conflict = 0, ""
        with self.lock:
            for line in filter(None, body.split("\n")):
                match = _LINE.fullmatch(line)
                if match is None:
                    raise RefusalError(400, "invalid", f"unable to parse '{line[:80]}'")
                series, said, at_ns = match.groups()
                at_ms = int(at_ns) // 1_000_000
                if self.retention_s and at_ms < now_ms - self.retention_s * 1000:
                    dropped += 1
                    continue
                measurement, *tags = _TAG_SPLIT.split(series)
                fields = {_plain(name): _value(text) for name, text in _FIELD.findall(said)}
                wrong = next(
                    (f for f, v in fields.items() if not self._takes(measurement, f, v, at_ms)), None
                )
                if wrong is not None:
                    conflict = f'field type conflict: input field "{wrong}" on measurement "{measurement}"'
                    continue
                named = tuple(
                    sorted((_plain(k), _plain(v)) for k, v in (t.split("=", 1) for t in _tags(tags)))
                )
                self.points.setdefault((measurement, named, at_ms), {}).update(fields)
        if conflict:
            raise RefusalError(422, "unprocessable entity", f"partial write: {conflict} dropped=1")
        if dropped:
            raise RefusalError(
                422,
                "unprocessable entity",
                f"partial write: dropped {dropped} points outside retention policy of duration {self.retention_s}s",
            )

    def _takes(self, measurement: str, field: str, value: Value, at_ms: int) -> bool:
        return self.types.setdefault((measurement, field, at_ms // WEEK_MS), type(value)) is type(value)

    def standing(self, now_ms: int) -> dict[tuple[str, Tags, int], dict[str, Value]]:
        """Return the points that the retention has not dropped."""
        with self.lock:
            if self.retention_s:
                oldest_ms = now_ms - self.retention_s * 1000
                self.points = {key: fields for key, fields in self.points.items() if key[2] >= oldest_ms}
            return {key: dict(fields) for key, fields in self.points.items()}

    def query(self, flux: str, now_ms: int) -> list[list[Row]]:
        """Return the tables that answer a query."""
        match = _QUERY.fullmatch(flux.strip())
        if match is None:
            raise RefusalError(400, "invalid", f"this stand-in does not understand {flux!r}")
        if _text(match["bucket"]) != self.bucket:
            raise RefusalError(404, "not found", f"could not find bucket {match['bucket']}")
        wanted = {name: _text(value) for name, value in _CONDITION.findall(match["where"])}
        measurement, start_ms, stop_ms = (
            wanted.pop("_measurement"),
            _ms(match["start"]),
            _ms(match["stop"]) if match["stop"] else now_ms,
        )
        series: dict[Tags, dict[int, dict[str, Value]]] = defaultdict(dict)
        for (of, tags, at_ms), fields in sorted(self.standing(now_ms).items()):
            if of == measurement and start_ms <= at_ms < stop_ms and wanted.items() <= dict(tags).items():
                series[tags][at_ms] = fields
        then = match["then"].strip()
        return [table for tags, rows in series.items() for table in _finished(then, measurement, tags, rows)]


def _finished(
    then: str, measurement: str, tags: Tags, rows: dict[int, dict[str, Value]]
) -> Iterator[list[Row]]:
    whole: Row = {"_measurement": measurement, **dict(tags)}
    counted = _COUNT.fullmatch(then)
    if then == _PIVOT:
        yield [{"_time": _time(at), **whole, **fields} for at, fields in rows.items()]
    elif then == _FIRST:
        for field in sorted({f for fields in rows.values() for f in fields}):
            yield [{"_time": _time(next(at for at, fields in rows.items() if field in fields))}]
    elif counted is not None:
        count = sum(_text(counted[1]) in fields for fields in rows.values())
        if count:
            yield [{**whole, "_field": _text(counted[1]), "_value": count}]
    else:
        raise RefusalError(400, "invalid", f"this stand-in does not understand {then!r}")


class _Handler(BaseHTTPRequestHandler):
    stand_in: StandInInflux
    protocol_version = "HTTP/1.1"

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["Content-Length"]))
        if self.headers.get("Content-Encoding") == "gzip":
            body = gzip.decompress(body)
        self._answer(body.decode())

    def do_GET(self) -> None:
        self._answer("")

    def _answer(self, body: str) -> None:
        here = self.stand_in
        path, _, query = self.path.partition("?")
        asked = {name: values[0] for name, values in urllib.parse.parse_qs(query).items()}
        here.requests.append(f"{self.command} {path}")
        try:
            if here.redirects and path.startswith("/api/"):
                self._send(302, b"", {"Location": f"{here.url}/login"})
            elif path == "/login":
                self._send(200, b"<html>please sign in</html>", {"Content-Type": "text/html"})
            else:
                self._answer_api(path, asked, body)
        except RefusalError as refusal:
            self._send(refusal.status, refusal.body, {"Content-Type": "application/json"})

    def _answer_api(self, path: str, asked: dict[str, str], body: str) -> None:
        here, now_ms = self.stand_in, int(time.time() * 1000)
        rights = here.tokens.get(self.headers.get("Authorization", "").removeprefix("Token "))
        if rights is None:
            raise RefusalError(401, "unauthorized", "unauthorized access")
        if asked.get("org", here.org) != here.org:
            raise RefusalError(404, "not found", f'organization name "{asked["org"]}" not found')
        if (self.command, path) == ("POST", "/api/v2/write"):
            if asked["bucket"] != here.bucket:
                raise RefusalError(404, "not found", f'bucket "{asked["bucket"]}" not found')
            if not rights.write:
                raise RefusalError(403, "forbidden", "insufficient permissions for write")
            if here.is_full:
                raise RefusalError(
                    500, "internal error", "unexpected error writing points: no space left on device"
                )
            assert asked["precision"] == "ns"
            here.write(body, now_ms)
            self._send(204, b"", {})
        elif (self.command, path) == ("GET", "/api/v2/buckets"):
            seen = rights.read and asked.get("name", here.bucket) == here.bucket
            rules = [{"type": "expire", "everySeconds": here.retention_s}] if here.retention_s else []
            found = [{"id": "0123456789abcdef", "name": here.bucket, "retentionRules": rules}] if seen else []
            self._send(200, json.dumps({"buckets": found}).encode(), {"Content-Type": "application/json"})
        elif (self.command, path) == ("POST", "/api/v2/query"):
            flux = json.loads(body)["query"]
            if not rights.read:
                raise RefusalError(404, "not found", f'could not find bucket "{here.bucket}"')
            self._send_tables(flux, here.query(flux, now_ms))
        else:
            raise RefusalError(404, "not found", "path not found")

    def _send_tables(self, flux: str, tables: list[list[Row]]) -> None:
        text = annotated(tables).encode()
        cut = self.stand_in.cut_queries_of
        if cut is not None and f'_measurement == "{cut}"' in flux and _PIVOT in flux:
            self._send(200, text[: len(text) // 2], {"Content-Type": "text/csv"}, length=len(text))
            self.close_connection = True
        else:
            self._send(200, text, {"Content-Type": "text/csv"})

    def _send(self, status: int, body: bytes, headers: dict[str, str], length: int | None = None) -> None:
        self.send_response(status)
        for name, value in headers.items():
            self.send_header(name, value)
        self.send_header("Content-Length", str(len(body) if length is None else length))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_: object) -> None:
        return


def annotated(tables: list[list[Row]]) -> str:
    """Return tables as annotated CSV, each with its own columns."""
    types = {bool: "boolean", int: "long", float: "double", str: "string"}
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    for number, rows in enumerate(tables):
        names = list(dict.fromkeys(name for row in rows for name in row))
        first = {name: next(row[name] for row in rows if name in row) for name in names}
        kinds = ["dateTime:RFC3339" if name == "_time" else types[type(first[name])] for name in names]
        writer.writerow(["#datatype", "string", "long", *kinds])
        writer.writerow(["#group", "false", "false", *["false"] * len(names)])
        writer.writerow(["#default", "_result", "", *[""] * len(names)])
        writer.writerow(["", "result", "table", *names])
        for row in rows:
            writer.writerow(["", "", number, *(_shown(row.get(name)) for name in names)])
        out.write("\r\n")
    return out.getvalue()


def _shown(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    return "" if value is None else str(value)


def _tags(tags: list[str]) -> list[str]:
    return [re.sub(r"\\=", "\x00", tag) for tag in tags]


def _plain(text: str) -> str:
    return re.sub(r"\\(.)", r"\1", text).replace("\x00", "=")


def _value(text: str) -> Value:
    if text.startswith('"'):
        return re.sub(r'\\(["\\])', r"\1", text[1:-1])
    if text in ("true", "false"):
        return text == "true"
    return int(text[:-1]) if text.endswith("i") else float(text)


def _text(quoted: str) -> str:
    return re.sub(r"\\(.)", lambda m: "\n" if m[1] == "n" else m[1], quoted[1:-1])


def _ms(text: str) -> int:
    return round(datetime.fromisoformat(text).timestamp() * 1000)


def _time(at_ms: int) -> str:
    return datetime.fromtimestamp(at_ms / 1000, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
