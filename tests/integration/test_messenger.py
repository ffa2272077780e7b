"""The messenger: told from a process of its own, which comes and goes, and with whose end nothing is lost."""

import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler
from pathlib import Path
from typing import Any

import pytest

from daemons import Daemon
from endpoints import HttpEndpoint, Mailbox, Mode, wait_until
from mustwatch.alerting.rules import TellTarget, Units
from mustwatch.cellar.instant import HOUR_MS
from mustwatch.deliver.deliverer import Outcome, Parcel, TellAddress
from mustwatch.deliver.parcel import MAY_BE_A_REPEAT
from mustwatch.messenger import errand_process
from mustwatch.messenger.errands import ErrandError
from mustwatch.messenger.messenger import Messenger
from mustwatch.store.store import Store
from mustwatch.views.chart_png import chart_png
from mustwatch.views.message_chart import Chart, Known, Window, message_chart
from mustwatch.watch.estimate import Estimate
from mustwatch.watch.finding import Curve
from senders import Sender, message, now_ms

PARCEL = Parcel("Ready to rack: Elder Red in bucket-1", "Gravity is 1.009.", "warning")


@pytest.fixture
def messengers() -> Iterator[Callable[..., Messenger]]:
    """Make messengers; they are closed at the end."""
    made: list[Messenger] = []

    def make(**how: float) -> Messenger:
        made.append(Messenger(**how))
        return made[-1]

    yield make
    for messenger in made:
        messenger.close()


def address(url: str, name: str = "phone") -> TellAddress:
    return TellAddress(TellTarget(name), url)


def through(messenger: Messenger, sender: Sender) -> Sender:
    """Have an outbox told through a messenger."""
    sender.deliverer, sender.rouse = messenger, messenger.rouse
    return sender


def is_running(pid: int) -> bool:
    """Say whether a process lives; one that has ended and whom nobody has waited for yet does not."""
    try:
        stat = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8")
    except (FileNotFoundError, ProcessLookupError):
        return False
    return stat.rsplit(")", 1)[1].split()[0] not in "ZX"


def children_of(pid: int) -> list[int]:
    """Return the processes that a process has started and not waited for."""
    tasks = Path(f"/proc/{pid}/task").iterdir()
    return [int(child) for task in tasks for child in (task / "children").read_text().split()]


def settled_wine() -> Chart:
    begin_ms = now_ms()
    estimates = [Estimate(begin_ms + n * HOUR_MS, 0.995, 0.0005, 0.0, 0.001, 18.0) for n in range(24)]
    known = Known(
        lot="Elder Red",
        quantity=Curve.GRAVITY,
        window=Window(begin_ms, estimates[-1].at_ms),
        caption="since yesterday",
        marks=(),
        estimates=estimates,
    )
    chart = message_chart(known, Units())
    assert chart is not None
    return chart


# --- coming and going ---------------------------------------------------------------------------------------


def test_the_process_is_there_only_while_there_is_something_to_tell(
    messengers: Callable[..., Messenger], http_endpoint: HttpEndpoint
) -> None:
    messenger = messengers(idle_s=0.2)
    assert messenger.pid is None

    assert messenger.deliver(address(http_endpoint.url), PARCEL) == Outcome(True)
    wait_until(lambda: messenger.pid is None, "the idle process to be let go")
    assert messenger.deliver(address(http_endpoint.url), PARCEL) == Outcome(True)

    assert http_endpoint.titles() == [PARCEL.title] * 2


def test_whoever_is_told_next_finds_the_process_of_before(
    messengers: Callable[..., Messenger], http_endpoint: HttpEndpoint, mailbox: Mailbox
) -> None:
    messenger = messengers()
    messenger.rouse(address(http_endpoint.url))
    roused = messenger.pid
    assert roused is not None

    assert messenger.deliver(address(http_endpoint.url), PARCEL).delivered
    assert messenger.deliver(address(mailbox.url, "mail"), PARCEL).delivered

    assert messenger.pid == roused


def test_however_often_it_comes_and_goes_everything_is_told_once(
    messengers: Callable[..., Messenger],
    sender: Sender,
    http_endpoint: HttpEndpoint,
    second_endpoint: HttpEndpoint,
) -> None:
    """It leaves as soon as nothing is under way: the next message always meets its leaving."""
    messenger = messengers(idle_s=0.0)
    titles = [f"message {n}" for n in range(10)]
    through(messenger, sender).to("phone", http_endpoint.url).to("friend", second_endpoint.url).start()

    sender.put(*(message(title, order=n) for n, title in enumerate(titles)))
    sender.put(*(message(title, "friend", n) for n, title in enumerate(titles)))
    sender.wait_until_empty()

    for endpoint in (http_endpoint, second_endpoint):
        assert endpoint.titles() == titles
        assert not any(MAY_BE_A_REPEAT in arrived.message for arrived in endpoint.arrived)


def test_a_picture_drawn_there_is_the_one_drawn_here(messengers: Callable[..., Messenger]) -> None:
    chart = settled_wine()

    assert messengers().draw(chart) == chart_png(chart)


def test_what_cannot_be_drawn_says_why_and_the_process_stays(messengers: Callable[..., Messenger]) -> None:
    messenger = messengers()
    messenger.draw(settled_wine())
    before = messenger.pid

    with pytest.raises(ErrandError, match="AttributeError"):
        messenger.draw("no chart at all")  # type: ignore[arg-type]

    assert messenger.pid == before


# --- ends that nobody asked for -----------------------------------------------------------------------------


def test_an_alert_whose_messenger_is_killed_amid_the_sending_is_told_and_said_to_be_a_repeat(
    messengers: Callable[..., Messenger], sender: Sender, http_endpoint: HttpEndpoint
) -> None:
    http_endpoint.mode = Mode.HANG
    messenger = messengers()
    through(messenger, sender).to("phone", http_endpoint.url).start()
    sender.put(message("in flight", order=0), message("after it", order=1))
    wait_until(lambda: http_endpoint.requests == 1, "the sending to be under way")
    http_endpoint.mode = Mode.WELL

    assert messenger.pid is not None
    os.kill(messenger.pid, signal.SIGKILL)

    sender.wait_until_empty()
    repeated, after = http_endpoint.arrived
    assert (repeated.title, after.title) == ("in flight", "after it")
    assert MAY_BE_A_REPEAT in repeated.message
    assert MAY_BE_A_REPEAT not in after.message


def test_a_process_killed_while_it_had_nothing_to_do_costs_nothing(
    messengers: Callable[..., Messenger], http_endpoint: HttpEndpoint
) -> None:
    messenger = messengers()
    for _ in range(3):
        assert messenger.deliver(address(http_endpoint.url), PARCEL) == Outcome(True)
        killed = messenger.pid
        assert killed is not None
        os.kill(killed, signal.SIGKILL)
        wait_until(lambda killed=killed: messenger.pid != killed, "its end to be seen")

    assert len(http_endpoint.arrived) == 3


def test_a_process_that_does_not_answer_is_ended_and_its_target_told_by_the_next(
    messengers: Callable[..., Messenger], sender: Sender, http_endpoint: HttpEndpoint
) -> None:
    """A process held by a signal does nothing more at all, as one whose plugin keeps the interpreter."""
    messenger = messengers(answer_limit_s=2.0)
    through(messenger, sender).to("phone", http_endpoint.url).start()
    sender.put(message("the first"))
    sender.wait_until_empty()
    held = messenger.pid
    assert held is not None
    os.kill(held, signal.SIGSTOP)

    sender.put(message("the second"))

    sender.wait_until_empty()
    assert not is_running(held)
    assert set(http_endpoint.titles()) == {"the first", "the second"}


def test_a_process_that_cannot_be_started_is_a_failure_that_surely_did_not_arrive(
    messengers: Callable[..., Messenger], http_endpoint: HttpEndpoint, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_room(*_: object, **__: object) -> None:
        raise BlockingIOError(11, "Resource temporarily unavailable")

    messenger = messengers()
    with monkeypatch.context() as patched:
        patched.setattr(errand_process.subprocess, "Popen", no_room)
        messenger.rouse(address(http_endpoint.url))
        outcome = messenger.deliver(address(http_endpoint.url), PARCEL)

    assert outcome == Outcome(
        False,
        "json://127.0.0.1: the messenger could not be started (BlockingIOError)",
        may_have_arrived=False,
    )
    assert messenger.deliver(address(http_endpoint.url), PARCEL).delivered


def test_a_closed_messenger_tells_nobody_and_starts_nothing(
    messengers: Callable[..., Messenger], http_endpoint: HttpEndpoint
) -> None:
    messenger = messengers()
    http_endpoint.mode = Mode.HANG
    outcomes: list[Outcome] = []
    hanging = threading.Thread(
        target=lambda: outcomes.append(messenger.deliver(address(http_endpoint.url), PARCEL))
    )
    hanging.start()
    wait_until(lambda: http_endpoint.requests == 1, "the sending to be under way")

    messenger.close()
    hanging.join(60)

    assert outcomes == [
        Outcome(False, "json://127.0.0.1: the messenger ended before it answered", may_have_arrived=True)
    ]
    after = messenger.deliver(address(http_endpoint.url), PARCEL)
    assert (after.delivered, after.may_have_arrived) == (False, False)
    assert messenger.pid is None


# --- what is left of it, and what it shows ------------------------------------------------------------------

COME_AND_GONE = """
import os, sys, threading, time
import mustwatch.app.service
from mustwatch.alerting.rules import TellTarget
from mustwatch.deliver.deliverer import Parcel, TellAddress
from mustwatch.messenger.errands import ErrandError
from mustwatch.messenger.messenger import Messenger

def left():
    threads = sorted(t.name for t in threading.enumerate())
    files = sorted(os.readlink(f"/proc/self/fd/{n}").split(":")[0] for n in os.listdir("/proc/self/fd")
                   if os.path.exists(f"/proc/self/fd/{n}"))
    children = [c for t in os.listdir("/proc/self/task")
                for c in open(f"/proc/self/task/{t}/children").read().split()]
    return threads, files, children

before = left()
for how in ("idle", "killed", "closed"):
    messenger = Messenger(idle_s=0.1 if how == "idle" else 60.0)
    address = TellAddress(TellTarget("phone"), sys.argv[1])
    messenger.rouse(address)
    assert messenger.deliver(address, Parcel("a title", "a text")).delivered
    try:
        messenger.draw("no chart")
    except ErrandError:
        pass
    if how == "killed":
        os.kill(messenger.pid, 9)
    while how != "closed" and messenger.pid is not None:
        time.sleep(0.01)
    messenger.close()
    assert left() == before, (how, before, left())
assert not {"apprise", "requests", "urllib3", "PIL"} & set(sys.modules), "in the daemon's own memory"
"""


def test_nothing_of_it_is_left_in_the_daemon_no_thread_no_file_no_process_no_library(
    http_endpoint: HttpEndpoint,
) -> None:
    done = subprocess.run(
        [sys.executable, "-c", COME_AND_GONE, http_endpoint.url], capture_output=True, text=True, check=False
    )

    assert done.returncode == 0, done.stderr


def test_the_process_itself_holds_little_of_the_daemon() -> None:
    code = "import sys, mustwatch.messenger.__main__; print(*sys.modules)"

    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

    heavy = {
        "pydantic",
        "pydantic_settings",
        "fastapi",
        "typer",
        "paho",
        "mustwatch.store",
        "mustwatch.config.settings",
    }
    assert not heavy & set(loaded.stdout.split())


SECRETS = ("s3cret-word", "t0ken-value", "br0ker-word")
CELLAR = '[mqtt]\nport = 1\n[web]\nenabled = false\n[[tell]]\nname = "phone"\nurl = "{url}"\n'


@dataclass(slots=True)
class SlowEndpoint(HttpEndpoint):
    """An endpoint that takes a request when it is let, and says that it has one before that."""

    has_one: threading.Event = field(default_factory=threading.Event)
    may_answer: threading.Event = field(default_factory=threading.Event)

    def handle(self, handler: BaseHTTPRequestHandler, body: dict[str, Any]) -> None:
        """Hold a request, then answer it by the mode."""
        self.has_one.set()
        self.may_answer.wait(60.0)
        HttpEndpoint.handle(self, handler, body)


@pytest.fixture
def slow_endpoint() -> Iterator[SlowEndpoint]:
    """An endpoint whose answers the test lets go."""
    endpoint = SlowEndpoint()
    endpoint.listen()
    yield endpoint
    endpoint.may_answer.set()
    endpoint.refuse()


def with_a_message_waiting(daemon: Daemon) -> Daemon:
    """Leave a message in a daemon's outbox."""
    store = Store(daemon.store, now_ms())
    with store.transaction():
        store.outbox.put([message("left waiting")])
    store.close()
    return daemon


def amid_a_sending(daemon_with: Callable[[str], Daemon], slow_endpoint: SlowEndpoint) -> tuple[Daemon, int]:
    """Return a daemon whose message has reached the endpoint and is not answered yet, and its messenger's number."""
    daemon = with_a_message_waiting(daemon_with(CELLAR.format(url=slow_endpoint.url)))
    daemon.start(listening=False)
    assert slow_endpoint.has_one.wait(60)
    assert daemon.process is not None
    (messenger,) = children_of(daemon.process.pid)
    return daemon, messenger


def still_waiting(daemon: Daemon) -> list[str]:
    """Return the titles of what an outbox has not told."""
    store = Store(daemon.store, now_ms())
    try:
        return [row.message.title for row in store.outbox.waiting()]
    finally:
        store.close()


def test_what_is_on_its_way_when_the_service_manager_ends_all_of_the_service_is_told_once(
    daemon_with: Callable[[str], Daemon], slow_endpoint: SlowEndpoint
) -> None:
    daemon, messenger = amid_a_sending(daemon_with, slow_endpoint)
    assert daemon.process is not None

    os.kill(messenger, signal.SIGTERM)
    os.kill(messenger, signal.SIGINT)
    daemon.process.send_signal(signal.SIGTERM)
    slow_endpoint.may_answer.set()

    assert daemon.stop() == 0
    assert slow_endpoint.titles().count("left waiting") == 1
    assert "left waiting" not in still_waiting(daemon)
    assert not is_running(messenger)


def test_a_daemon_that_is_killed_takes_its_messenger_along(
    daemon_with: Callable[[str], Daemon], slow_endpoint: SlowEndpoint
) -> None:
    daemon, messenger = amid_a_sending(daemon_with, slow_endpoint)

    daemon.kill()

    wait_until(lambda: not is_running(messenger), "its end, amid the sending")


def test_no_secret_is_on_a_command_line_in_an_environment_or_in_the_log(
    daemon_with: Callable[[str], Daemon], http_endpoint: HttpEndpoint
) -> None:
    http_endpoint.mode = Mode.ERROR
    daemon = with_a_message_waiting(daemon_with(CELLAR.format(url=http_endpoint.url)))
    daemon.environment["MUSTWATCH_MQTT__PASSWORD"] = "br0ker-word"
    daemon.environment["mustwatch_mqtt__username"] = "floats"
    daemon.start(listening=False)
    wait_until(lambda: "answered 500" in daemon.said(), "a failure in the log")
    assert daemon.process is not None
    (messenger,) = children_of(daemon.process.pid)

    seen = daemon.said()
    for what in ("cmdline", "environ"):
        seen += Path(f"/proc/{messenger}/{what}").read_bytes().decode(errors="replace")

    assert "mustwatch.messenger" in seen
    for secret in (*SECRETS, "mustwatch_mqtt", "MUSTWATCH_"):
        assert secret not in seen
