"""Server-sent events over a real connection: everybody who listens is told of every change, once."""

import http.client
import json
import socket
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

import pytest

from mustwatch.app.web_server import WebServer
from mustwatch.cellar.reading import Reading
from mustwatch.web.live import LISTENERS_AT_MOST
from web_cellar import NOW_MS, TOKEN, Pages

Over = Callable[..., Pages]


class Listener:
    """An open connection to the events."""

    def __init__(self, port: int, since: int | None = None, token: str | None = None) -> None:
        self.connection = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
        headers = {"Authorization": f"Bearer {token}"} if token else {}
        query = "" if since is None else f"?since={since}"
        self.connection.request("GET", f"/api/events{query}", headers=headers)
        self.answer = self.connection.getresponse()

    def next_version(self) -> int:
        """Return the version of the next change, waiting for it."""
        while True:
            line = self.answer.readline().decode()
            assert line, "the connection was closed"
            if line.startswith("data: "):
                return int(json.loads(line.removeprefix("data: "))["version"])

    def close(self) -> None:
        self.connection.close()


@pytest.fixture
def served(pages_over: Over) -> Iterator[Callable[..., tuple[Pages, int]]]:
    """Serve applications on real ports."""
    servers: list[WebServer] = []

    def serve(token: str | None = None) -> tuple[Pages, int]:
        pages = pages_over(token)
        server = WebServer(pages.client.app, "127.0.0.1", 0)  # type: ignore[arg-type]
        servers.append(server)
        assert server.start()
        assert server.port is not None
        return pages, server.port

    yield serve
    for server in servers:
        server.stop()


@contextmanager
def listening(port: int, count: int = 1, since: int | None = None) -> Iterator[list[Listener]]:
    made = [Listener(port, since) for _ in range(count)]
    yield made
    for listener in made:
        listener.close()


def write_something(pages: Pages, minutes: int) -> None:
    at_ms = NOW_MS + minutes * 60_000
    pages.store.readings.add([Reading("red-float", at_ms, at_ms, 0.99, None, 20.0)])


def test_a_listener_is_told_of_a_change(served: Callable[..., tuple[Pages, int]]) -> None:
    pages, port = served()
    with listening(port, since=pages.hand.version()) as (listener,):
        write_something(pages, 1)

        assert listener.next_version() == pages.hand.version()


def test_who_missed_a_change_before_connecting_is_told_at_once(
    served: Callable[..., tuple[Pages, int]],
) -> None:
    pages, port = served()
    since = pages.hand.version()
    write_something(pages, 1)
    with listening(port, since=since) as (listener,):
        assert listener.next_version() != since


def test_a_newcomer_takes_nobodys_news_away(served: Callable[..., tuple[Pages, int]]) -> None:
    pages, port = served()
    with listening(port, since=pages.hand.version()) as (first,):
        write_something(pages, 1)
        with listening(port, since=pages.hand.version()):
            assert first.next_version() == pages.hand.version()


def test_more_listeners_than_the_machine_bears_are_turned_away(
    served: Callable[..., tuple[Pages, int]],
) -> None:
    pages, port = served()
    with listening(port, LISTENERS_AT_MOST, since=pages.hand.version()) as listeners:
        for listener in listeners:
            assert listener.answer.status == 200
            listener.answer.readline()
        one_more = Listener(port)
        assert one_more.answer.status == 503
        one_more.close()


def test_listeners_that_come_at_once_are_counted_all_the_same(
    served: Callable[..., tuple[Pages, int]],
) -> None:
    """Each was looked at before any of the others was counted: 105 listened where 32 may."""
    pages, port = served()
    made = [socket.create_connection(("127.0.0.1", port), 10) for _ in range(LISTENERS_AT_MOST + 7)]
    try:
        request = f"GET /api/events?since={pages.hand.version()} HTTP/1.1\r\nHost: localhost\r\n\r\n".encode()
        for one in made:
            one.sendall(request)
        answers = [one.recv(2000) for one in made]
        listening = 0
        for one, answer in zip(made, answers, strict=True):
            one.settimeout(1.0)
            with suppress(TimeoutError):
                while (more := one.recv(2000)) and b"0\r\n\r\n" not in answer:
                    answer += more
            listening += b" 200 " in answer and b"0\r\n\r\n" not in answer
        assert listening == LISTENERS_AT_MOST
    finally:
        for one in made:
            one.close()


def test_events_ask_for_the_token_too(served: Callable[..., tuple[Pages, int]]) -> None:
    _, port = served(TOKEN)

    assert Listener(port).answer.status == 401
    assert Listener(port, token=TOKEN).answer.status == 200


def test_a_server_with_listeners_ends_in_time(pages_over: Over) -> None:
    pages = pages_over()
    server = WebServer(pages.client.app, "127.0.0.1", 0)  # type: ignore[arg-type]
    assert server.start()
    port = server.port
    assert port is not None
    listener = Listener(port)
    listener.answer.readline()

    server.stop()

    with pytest.raises(ConnectionRefusedError):
        Listener(port)
    listener.close()
