"""A real Chromium before the real daemon: an invented cellar of three weeks that ends now, on a broker of its own.

cellar       a running daemon over the cellar (one for all tests that only look)
own_cellar   the same for one test that writes
visit        open a page as a phone or a desk would; what the browser complained of fails the test at its end
"""

import json
import shutil
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import Browser, BrowserContext, Dialog, Page, Request, expect, sync_playwright

from brokers import NativeBroker, Options, missing
from daemons import Daemon, wait_until
from mustwatch.demo import free_port
from mustwatch.store.store import Store
from web_cellar import add_trouble, evaluate, make_cellar

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
expect.set_options(timeout=60_000)  # a busy machine is given longer than an idle one needs
SIZES = {
    "phone": {"width": 360, "height": 740},
    "tablet": {"width": 820, "height": 1180},
    "desk": {"width": 1280, "height": 860},
}
Size = Literal["phone", "tablet", "desk"]
Scheme = Literal["light", "dark"]


@dataclass
class RunningCellar:
    """A daemon with its pages and its broker."""

    daemon: Daemon
    broker: NativeBroker
    base: str

    def say(self, sensor: str, gravity: float, celsius: float = 20.0) -> None:
        """Publish a reading of now, as a float does (RFC 8428)."""
        pack = [
            {"bn": f"{sensor}/", "bt": round(time.time(), 3), "n": "gravity", "u": "/", "v": gravity},
            {"n": "temperature", "u": "Cel", "v": celsius},
        ]
        self.broker.publish((f"cellar/{sensor}", json.dumps(pack).encode()))


@pytest.fixture(scope="session")
def past(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder of a cellar whose three weeks end now."""
    folder = tmp_path_factory.mktemp("past") / "cellar"
    folder.mkdir()
    now_ms = time.time_ns() // 1_000_000
    settings = make_cellar(folder, now_ms)
    store = Store(settings.store.path, now_ms)
    add_trouble(store, now_ms)
    evaluate(store, settings, now_ms)
    store.close()
    return folder


def run_cellar(past: Path, folder: Path, more_toml: str = "") -> RunningCellar:
    """Start a broker and the daemon over a copy of the past."""
    broker = NativeBroker(folder / "broker", Options())
    broker.start()
    port = free_port()
    lines = (past / "mustwatch.toml").read_text("utf-8").partition("\n[store]")[0]
    lines = lines.replace("port = 1883", f"port = {broker.port}")
    daemon = Daemon(folder, f"{lines}\n[web]\nport = {port}\n{more_toml}")
    shutil.copy(past / "cellar.db", daemon.store)
    daemon.start()
    wait_until(lambda: f"pages at http://127.0.0.1:{port}" in daemon.said(), 20, "the pages are served")
    return RunningCellar(daemon, broker, f"http://127.0.0.1:{port}")


def end_cellar(running: RunningCellar) -> None:
    """Stop daemon and broker; the daemon must have ended in order."""
    try:
        assert running.daemon.stop() == 0, running.daemon.said()
    finally:
        running.broker.stop()


@pytest.fixture(scope="session")
def cellar(past: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningCellar]:
    """Return a running daemon for tests that only look."""
    running = run_cellar(past, tmp_path_factory.mktemp("cellar"))
    yield running
    end_cellar(running)


@pytest.fixture
def own_cellar(past: Path, tmp_path: Path) -> Iterator[RunningCellar]:
    """Return a running daemon for one test that writes."""
    running = run_cellar(past, tmp_path)
    yield running
    end_cellar(running)


@pytest.fixture(scope="session")
def chromium() -> Iterator[Browser]:
    """Return a Chromium of this machine."""
    if CHROMIUM is None:
        missing("Chromium")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield browser
        browser.close()


@dataclass
class Complaints:
    """What a browser had to complain of, and every request it sent."""

    console: list[str] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)
    dialogs: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)
    foreseen: list[str] = field(default_factory=list)
    """What a test brings about on purpose, and the browser may complain of whenever it likes."""

    def unforeseen(self) -> list[str]:
        """Return what the console says that no test brought about."""
        return [line for line in self.console if not any(words in line for words in self.foreseen)]

    def listen_to(self, page: Page) -> None:
        """Collect from a page from now on."""

        def heard(kind: str, text: str) -> None:
            if kind in ("error", "warning"):
                self.console.append(f"{kind}: {text}")

        def dismissed(dialog: Dialog) -> None:
            self.dialogs.append(dialog.message)
            dialog.dismiss()

        def asked(request: Request) -> None:
            self.requests.append(request.url)

        page.on("console", lambda message: heard(message.type, message.text))
        page.on("pageerror", lambda error: self.faults.append(str(error)))
        page.on("dialog", dismissed)
        page.on("request", asked)

    def elsewhere(self, base: str) -> list[str]:
        """Return the requests that left this machine's pages."""
        own = urlsplit(base).netloc
        return [
            url
            for url in self.requests
            if urlsplit(url).netloc != own and not url.startswith(("data:", "blob:"))
        ]


Visit = Callable[..., Page]


@pytest.fixture
def complaints() -> Complaints:
    """Return what the test's pages complain of."""
    return Complaints()


@pytest.fixture
def visit(chromium: Browser, complaints: Complaints) -> Iterator[Visit]:
    """Return a way to open pages; each call is a visitor of its own unless given another's page."""
    contexts: list[BrowserContext] = []
    bases: set[str] = set()

    def open_page(
        address: str, size: Size = "desk", scheme: Scheme = "light", *, beside: Page | None = None
    ) -> Page:
        if beside is None:
            viewport = SIZES[size]
            context = chromium.new_context(
                viewport={"width": viewport["width"], "height": viewport["height"]},
                color_scheme=scheme,
                has_touch=size == "phone",
                is_mobile=size == "phone",
                reduced_motion="reduce",
            )
            contexts.append(context)
        else:
            context = beside.context
        page = context.new_page()
        complaints.listen_to(page)
        parts = urlsplit(address)
        bases.add(f"{parts.scheme}://{parts.netloc}")
        page.goto(address)
        return page

    yield open_page
    for context in contexts:
        context.close()
    assert complaints.faults == []
    assert complaints.unforeseen() == []
    assert complaints.dialogs == []
    for base in bases:
        assert complaints.elsewhere(base) == []


@pytest.fixture(scope="session")
def axe() -> str:
    """Return the accessibility rules' script (axe-core, as the test library brings it)."""
    import axe_playwright_python

    return (Path(axe_playwright_python.__file__).parent / "axe.min.js").read_text("utf-8")
