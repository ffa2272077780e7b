"""The mirror's writer over real HTTP: what it sends, and what it makes of every way a server can fail."""

import gzip
import threading
import time
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest

from mustwatch.store import mirror_influx
from mustwatch.store.mirror_influx import Bucket, InfluxServer
from mustwatch.store.mirror_verdict import ServerError, Verdict

LINE = b"reading,site=home,cellar=shed,sensor=float gravity=1.05 1788220800000000000"
SECRET = "s3cret-token-value"


class Endpoint:
    """A server that answers as it is told and remembers what it was sent."""

    def __init__(self) -> None:
        self.status = 204
        self.body = b""
        self.headers: dict[str, str] = {}
        self.hangs = False
        self.seen: list[tuple[str, dict[str, str], bytes]] = []
        self.done = threading.Event()
        endpoint = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                endpoint.seen.append((self.path, dict(self.headers), body))
                if endpoint.hangs:
                    endpoint.done.wait(30)
                    return
                self.send_response(endpoint.status)
                for name, value in endpoint.headers.items():
                    self.send_header(name, value)
                self.send_header("Content-Length", str(len(endpoint.body)))
                self.end_headers()
                self.wfile.write(endpoint.body)

            def log_message(self, *_: object) -> None:
                return

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self.server.server_address[1]}"
        threading.Thread(target=self.server.serve_forever, daemon=True).start()

    def close(self) -> None:
        self.done.set()
        self.server.shutdown()
        self.server.server_close()


@pytest.fixture
def endpoint() -> Iterator[Endpoint]:
    made = Endpoint()
    yield made
    made.close()


def writer(url: str) -> InfluxServer:
    return InfluxServer(Bucket(url, "home org", "my cellar", SECRET))


def test_lines_are_sent_zipped_to_the_bucket_with_the_token(endpoint: Endpoint) -> None:
    writer(endpoint.url).write(LINE)

    path, headers, body = endpoint.seen[0]
    assert path.startswith("/api/v2/write?")
    assert "bucket=my%20cellar" in path or "bucket=my+cellar" in path
    assert "precision=ns" in path
    assert headers["Content-Encoding"] == "gzip"
    assert headers["Authorization"] == f"Token {SECRET}"
    assert gzip.decompress(body) == LINE


@pytest.mark.parametrize(
    ("status", "body", "verdict", "said"),
    [
        (401, b'{"code":"unauthorized","message":"unauthorized access"}', Verdict.CLOSED, "influx.token"),
        (404, b'{"code":"not found","message":"bucket not found"}', Verdict.CLOSED, "influx.bucket"),
        (422, b'{"message":"field type conflict: celsius"}', Verdict.REFUSED, "field type conflict"),
        (400, b"unable to parse 'x'", Verdict.REFUSED, "unable to parse"),
        (413, b"", Verdict.TOO_LARGE, "413"),
        (500, b"<html>oops</html>", Verdict.PASSING, "500"),
        (503, b"", Verdict.PASSING, "503"),
    ],
)
def test_an_answer_becomes_a_verdict_and_words_without_the_token(
    endpoint: Endpoint, status: int, body: bytes, verdict: Verdict, said: str
) -> None:
    endpoint.status, endpoint.body = status, body
    with pytest.raises(ServerError) as caught:
        writer(endpoint.url).write(LINE)

    assert caught.value.verdict is verdict
    assert said in str(caught.value)
    assert SECRET not in str(caught.value)
    assert len(endpoint.seen) == 1, "the library does not try again by itself"


def test_the_servers_wish_to_be_left_alone_is_heard(endpoint: Endpoint) -> None:
    endpoint.status, endpoint.headers = 429, {"Retry-After": "17"}
    with pytest.raises(ServerError) as caught:
        writer(endpoint.url).write(LINE)

    assert (caught.value.verdict, caught.value.retry_after_s) == (Verdict.PASSING, 17.0)


def test_a_server_that_hangs_is_given_up_in_bounded_time(
    endpoint: Endpoint, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(mirror_influx, "ANSWER_LIMIT_S", 1)
    endpoint.hangs = True
    began = time.monotonic()
    with pytest.raises(ServerError) as caught:
        writer(endpoint.url).write(LINE)

    assert caught.value.verdict is Verdict.PASSING
    assert time.monotonic() - began < 60


def test_a_server_that_is_not_there_is_passing_trouble() -> None:
    with pytest.raises(ServerError) as caught:
        writer("http://127.0.0.1:9").write(LINE)

    assert caught.value.verdict is Verdict.PASSING


def test_a_name_that_is_unknown_is_passing_trouble() -> None:
    with pytest.raises(ServerError) as caught:
        writer("http://no-such-host.invalid:8086").write(LINE)

    assert caught.value.verdict is Verdict.PASSING
