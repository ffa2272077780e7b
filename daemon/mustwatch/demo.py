"""The demo: an embedded broker, the daemon itself, and an invented cellar that lives three weeks in a minute.

Everything but the broker is what runs on a Pi: the readings go over MQTT, through the pipeline, into a store.
"""

import asyncio
import logging
import secrets
import socket
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from mustwatch.alerting.alert import Alert
from mustwatch.app.service import Service
from mustwatch.cellar.book import Addition, Entry, Measurement, Note, Racking, Start, What
from mustwatch.config.settings import Settings
from mustwatch.config.shipped import shipped
from mustwatch.must.density import gravity_20_from_reading
from mustwatch.recording.recorder import await_the_watch
from mustwatch.store.store import Store

log = logging.getLogger(__name__)

FRAMES_PER_S = 5.0
"""How often messages are published: a frame carries hours of the cellar's life."""


def free_port(preferred: int = 0, bind: str = "127.0.0.1") -> int:
    """Return a free TCP port, the preferred one if it is free.

    Raises:
        OSError: the address is none of this machine's.
    """
    with socket.socket() as probe:
        if not is_free(bind, preferred):
            preferred = 0
        probe.bind((bind, preferred))
        return int(probe.getsockname()[1])


def is_free(bind: str, port: int) -> bool:
    """Say whether a TCP port can be had."""
    with socket.socket() as probe:
        try:
            probe.bind((bind, port))
        except OSError:
            return False
    return True


def machine_zone() -> str:
    """Return this machine's time zone by its IANA name; UTC if it has none."""
    from tzlocal import get_localzone_name

    try:
        return ZoneInfo(get_localzone_name() or "UTC").key
    except (LookupError, ValueError):
        return "UTC"


class EmbeddedBroker:
    """A small broker in a thread, for the demo only; a cellar runs mosquitto."""

    def __init__(self, port: int) -> None:
        """Choose the port; ``start`` opens it."""
        self.port = port
        self._loop: asyncio.AbstractEventLoop | None = None
        self._stop: asyncio.Event | None = None
        self._ready = threading.Event()
        self._fault: BaseException | None = None
        self._thread = threading.Thread(target=self._run, name="broker", daemon=True)

    def start(self) -> None:
        """Open the port.

        Raises:
            RuntimeError: it does not open.
        """
        self._thread.start()
        if not self._ready.wait(20) or self._fault is not None:
            raise RuntimeError(f"the embedded broker did not start on port {self.port}: {self._fault}")

    def _run(self) -> None:
        try:
            asyncio.run(self._serve())
        except BaseException as fault:  # noqa: BLE001 - reported by start, or at the end of a demo of no interest
            self._fault = fault
            self._ready.set()

    async def _serve(self) -> None:
        from amqtt.broker import Broker

        for chatty in ("amqtt", "transitions"):
            logging.getLogger(chatty).setLevel(logging.CRITICAL)
        config: dict[str, Any] = {
            "listeners": {
                "default": {"type": "tcp", "bind": f"127.0.0.1:{self.port}", "max_connections": 20}
            },
            "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
        }
        broker = Broker(config)
        await broker.start()
        self._loop, self._stop = asyncio.get_running_loop(), asyncio.Event()
        self._ready.set()
        await self._stop.wait()
        await broker.shutdown()

    def stop(self) -> None:
        """Close the port."""
        if self._loop is not None and self._stop is not None:
            self._loop.call_soon_threadsafe(self._stop.set)
        self._thread.join(5)


def what_of(done: Any, profile: str) -> What:
    """Return one of the invented people's deeds as an entry of the book."""
    gravity = None
    if done.gravity_shown is not None:
        gravity = round(gravity_20_from_reading(done.gravity_shown, done.temperature_c or 20.0), 4)
    if done.what == "start":
        return Start(
            vessel=done.vessel,
            profile=profile,
            gravity=gravity,
            temperature_c=done.temperature_c,
            litres=done.litres,
        )
    if done.what == "measure":
        return Measurement(
            gravity=gravity, temperature_c=done.temperature_c, gravity_as_read=done.gravity_shown
        )
    if done.what == "rack":
        return Racking(
            to_vessel=done.to_vessel,
            from_vessel=done.vessel,
            gravity=gravity,
            temperature_c=done.temperature_c,
            litres=done.litres,
            floats=tuple(done.floats),
        )
    if done.amount is not None:
        return Addition(
            what=done.what, amount=done.amount, unit=done.unit, why=done.why, sugar_g=done.sugar_g
        )
    return Note(text=done.why or done.what)


@dataclass(frozen=True, slots=True)
class Progress:
    """How far the cellar has lived: share of the whole (0 to 1) and the instant it is at (ms)."""

    share: float
    at_ms: int


class Demo:
    """Plays a scenario into a running daemon."""

    def __init__(
        self, folder: Path, seconds: float, seed: int, web_port: int | None, bind: str = "127.0.0.1"
    ) -> None:
        """Prepare the invented cellar, ending now, in this machine's time zone.

        Args:
            folder: where the store and the configuration go.
            seconds: how long three weeks take.
            seed: of all chance in it.
            web_port: for the pages; None: without pages.
            bind: the address the pages are on; beyond this machine they ask for ``token``.
        """
        from mustsim import cellar as mustsim_cellar
        from mustsim.configuration import mustwatch_toml
        from mustsim.scenario import load

        self._mustsim = mustsim_cellar
        self.folder = folder
        self._seconds = seconds
        scenario = load(shipped("demo", "cellar-scenario.toml"))
        self.simulated = mustsim_cellar.run(scenario, seed, ending_ms=time.time_ns() // 1_000_000)
        self._profiles = {lot.name: lot.profile for lot in scenario.lots}
        self._broker = EmbeddedBroker(free_port())
        self.token = None if bind in ("127.0.0.1", "::1", "localhost") else secrets.token_urlsafe(12)
        self.config = folder / "mustwatch.toml"
        self.config.write_text(
            mustwatch_toml(scenario, "127.0.0.1", self._broker.port)
            .replace("[cellar]", f'[cellar]\ntimezone = "{machine_zone()}"')
            .replace("[mqtt]", '[mqtt]\nprotocol = "3.1.1"')
            + f'\n[store]\npath = "{folder / "cellar.db"}"\ncommit_seconds = 0.25\n'
            + f"\n[web]\nenabled = {str(web_port is not None).lower()}\nport = {web_port or 0}\n"
            + f'bind = "{bind}"\n'
            + (f'token = "{self.token}"\n' if self.token else ""),
            encoding="utf-8",
        )
        self._service: Service | None = None
        self._thread: threading.Thread | None = None
        self._told: set[str] = set()

    def start(self, settings: Settings) -> None:
        """Start broker and daemon."""
        self._broker.start()
        self._service = Service(settings)
        self._thread = threading.Thread(target=self._service.run, name="daemon", daemon=True)
        self._thread.start()
        if not self._service.ready.wait(30):
            raise RuntimeError("the daemon did not start")
        for _ in range(100):
            if self._service.is_listening:
                return
            time.sleep(0.1)
        raise RuntimeError("the daemon did not reach the embedded broker")

    def play(self, store: Store, tell: Callable[[Alert], None]) -> Iterator[Progress]:
        """Publish the cellar's life frame by frame, yield the progress, and tell each alert as it opens."""
        import paho.mqtt.client as paho
        from paho.mqtt.enums import CallbackAPIVersion

        from mustsim.truth import Done

        client = paho.Client(CallbackAPIVersion.VERSION2, client_id="demo-sensors")
        client.connect("127.0.0.1", self._broker.port)
        client.loop_start()
        begins, ends = self.simulated.begins_ms, self.simulated.ends_ms
        started = time.monotonic()
        number = 0
        try:
            for what in self._mustsim.stream(self.simulated):
                at_ms = what.at_ms if isinstance(what, Done) else what.sent_ms
                wait_s = (at_ms - begins) / (ends - begins) * self._seconds - (time.monotonic() - started)
                if wait_s > 1.0 / FRAMES_PER_S:
                    yield Progress((at_ms - begins) / (ends - begins), at_ms)
                    self._tell_new(store, tell)
                    time.sleep(wait_s)
                if isinstance(what, Done):
                    number += 1
                    self._record(store, what, number)
                else:
                    client.publish(what.topic, what.payload, qos=1, retain=what.retained).wait_for_publish(30)
            self._settle(store, tell)
            yield Progress(1.0, ends)
        finally:
            client.disconnect()
            client.loop_stop()

    def _record(self, store: Store, done: Any, number: int) -> None:
        if done.written:
            what = what_of(done, self._profiles[done.lot])
            before = store.book.newest_change()
            store.book.append(Entry(f"demo-{number}", done.lot, done.at_ms, done.at_ms, what))
            # A second of the demo is eight hours: the next reading would come before the watch has read of its lot.
            await_the_watch(store, before)

    def _settle(self, store: Store, tell: Callable[[Alert], None]) -> None:
        """Wait until the daemon has taken everything in."""
        for _ in range(100):
            before = store.readings.count()
            time.sleep(0.5)
            self._tell_new(store, tell)
            if store.readings.count() == before:
                return

    def _tell_new(self, store: Store, tell: Callable[[Alert], None]) -> None:
        for alert in store.alerts.recent(-(2**62)):
            if alert.id not in self._told and not alert.is_withdrawn:
                self._told.add(alert.id)
                tell(alert)

    def is_alive(self) -> bool:
        """Say whether the daemon runs."""
        return self._thread is not None and self._thread.is_alive()

    def stop(self) -> None:
        """Stop daemon and broker."""
        if self._service is not None:
            self._service.stop()
        if self._thread is not None:
            self._thread.join(30)
        self._broker.stop()
