"""The composition root: builds every part, starts them in order, watches over them, and closes them in reverse."""

import json
import logging
import os
import sqlite3
import threading
from collections.abc import Callable, Sequence
from contextlib import ExitStack, closing
from pathlib import Path

from mustwatch.app.memory import freeze
from mustwatch.app.mirroring import mirror_of
from mustwatch.app.morning_job import morning_job
from mustwatch.app.one_tap_link import link_of
from mustwatch.app.pipeline import Pipeline
from mustwatch.app.schedule import Schedule
from mustwatch.app.self_watch import STORAGE_TOLD_AFTER_S, SelfWatch, cannot_write
from mustwatch.app.session_watch import SessionWatch
from mustwatch.app.system_notify import ServiceManager
from mustwatch.app.upkeep import Upkeep
from mustwatch.app.vitals import Vitals
from mustwatch.cellar.reading import Reading
from mustwatch.config.plan import CellarPlan, note_places, plan_of, tell_rules
from mustwatch.config.settings import Settings
from mustwatch.config.unwatched import unwatched_lots
from mustwatch.deliver.deliverer import Parcel, TellAddress
from mustwatch.deliver.worker import OutboxWorker
from mustwatch.ingest.anchor_json import anchor_from_json
from mustwatch.ingest.client import MqttSource, SessionNews
from mustwatch.ingest.clock import ClockWatch
from mustwatch.ingest.system_clock import boot_id, is_synchronised, mono_s, wall_ms
from mustwatch.messenger.messenger import Messenger
from mustwatch.store.backup import backup_folder
from mustwatch.store.inspection import set_aside_broken
from mustwatch.store.keeper import Keeper
from mustwatch.store.mirror import Mirror
from mustwatch.store.opening import open_store
from mustwatch.store.soundness import StoreDamagedError, mark_damaged, may_pass, quick_check
from mustwatch.store.store import Store
from mustwatch.views.message_picture import MessagePictures
from mustwatch.watch.finding import Severity
from mustwatch.watch.findings.delivery_trouble import Troubles, undelivered
from mustwatch.watch.findings.storage_trouble import Part, StorageTrouble, rows_trouble

log = logging.getLogger(__name__)

WATCH_EVERY_S = 2.0
"""How often the main thread looks whether the others come round."""
STUCK_AFTER_S = 90.0
"""A thread that has not come round for this long is stuck: the process ends and the service manager restarts it. A
transaction may wait 15 s for another's, a full card backs off for 60 s in slices of one."""
HELD_MOST_S = 40.0
"""A transaction takes milliseconds, on a worn card some seconds. One open for this long hangs, with all who wait."""
ENDS_WITHIN_S = 12.0
"""After a fault the process ends within this, whatever its threads and locks do, to be started anew."""
OPEN_AGAIN_S = 5.0
"""When the store cannot be opened for its card, which is full or read-only, it is tried again after this."""
UNCHECKED = "unchecked"
"""Left in the lock file when the daemon ended in order before a check of the file was through."""


class PartFailedError(RuntimeError):
    """A part of the daemon died or is stuck; the process ends to be started anew."""


class Service:
    """The daemon."""

    def __init__(
        self, settings: Settings, on_stored: Callable[[Sequence[Reading]], None] = lambda _: None
    ) -> None:
        """Remember what to build; ``run`` does it."""
        self._settings = settings
        self._on_stored = on_stored
        self._path = settings.store.path.expanduser()
        self._messenger = Messenger()
        self._addresses = [
            TellAddress(target, tell.url.get_secret_value())
            for target, tell in zip(tell_rules(settings).targets, settings.tell, strict=True)
        ]
        self._mirror: Mirror | None = None
        self._stop = threading.Event()
        self.ready = threading.Event()
        """Set once readings are being taken."""
        self._manager = ServiceManager()
        self._fault: BaseException | None = None
        self._has_ended = threading.Event()

    @property
    def is_listening(self) -> bool:
        """Say whether the broker has accepted us, so that nothing published from now on is missed."""
        return self.ready.is_set() and self._parts[0].status().is_connected

    def stop(self) -> None:
        """Ask it to end in order; safe from a signal handler."""
        self._stop.set()

    def run(self) -> None:
        """Build, start, watch, and close in reverse, until asked to stop.

        A card that is full or read-only is waited for; it is said once.

        Raises:
            AlreadyKeptError: another process keeps watch on the store.
            StoreDamagedError: the file is damaged; the next start sets it aside.
            PartFailedError: a part died or is stuck.
        """
        with ExitStack() as ending:
            ending.callback(self._has_ended.set)
            ending.enter_context(closing(self._messenger))
            since_mono_s, is_said = mono_s(), False
            while not self._stop.is_set():
                try:
                    self._run_once()
                except (sqlite3.Error, OSError) as error:
                    if self._stop.is_set() or not may_pass(error):
                        raise
                    log.error("the store cannot be opened, trying again: %s", error)
                    self._manager.tell("READY=1\nWATCHDOG=1\nSTATUS=the store cannot be opened")
                    if not is_said and mono_s() - since_mono_s >= STORAGE_TOLD_AFTER_S:
                        is_said = True
                        self._say_directly(*cannot_write(str(error)))
                    self._stop.wait(OPEN_AGAIN_S)
        if self._fault is not None:
            raise self._fault

    def _run_once(self) -> None:
        path = self._path
        with ExitStack() as stack:
            keeper = stack.enter_context(Keeper(path))
            opened = open_store(path, wall_ms(), backup_folder(path, self._settings.store.backup_dir))
            store = opened.store
            self._database = store.database
            stack.callback(store.close)
            broken = set_aside_broken(store, wall_ms())
            plan = plan_of(self._settings)
            note_places(store, plan, wall_ms())
            is_unsure = bool(keeper.left_behind)
            keeper.note(f"{os.getpid()}")
            self_watch = self._start_parts(stack, store, plan, opened.is_new)
            if opened.damage is not None:
                part = Part.GONE if opened.was_gone else Part.FILE
                self_watch.storage(part, StorageTrouble(opened.damage, Severity.URGENT), wall_ms())
            self_watch.storage(Part.ROWS, rows_trouble(broken), wall_ms())
            checked = self._check_file(path) if is_unsure and opened.damage is None else None
            self._manager.tell("READY=1")
            self.ready.set()
            if not plan.sensors:
                log.warning(
                    "no [[sensor]] is configured: `mustwatch listen` shows what arrives and proposes one"
                )
            history = store.book.history()
            for lot, why in unwatched_lots(history, plan).items():
                log.warning("nobody watches lot=%s: %s", lot, why)
            log.info("keeping watch sensors=%d lots=%d", len(plan.sensors), len(history.lots))
            settling = threading.Thread(target=self._settle, name="settle", daemon=True)
            settling.start()
            stack.callback(settling.join, 10.0)
            self._keep_watch()
            if self._fault is None:
                keeper.note("" if checked is None or checked.is_set() else UNCHECKED)

    def _settle(self) -> None:
        """Do what need not be done before readings are taken, beside them."""
        freeze()
        # Only now: a backup beside the start would slow it down, and leave its holes among what stays.
        if not self._stop.is_set():
            self._schedule.sweep_soon()

    def _check_file(self, path: Path) -> threading.Event:
        """After an unclean end, read the file through beside the work; return what is set once it was found sound."""
        is_sound = threading.Event()

        def check() -> None:
            try:
                fault = quick_check(path)
            except sqlite3.Error as error:  # busy, or no room: the next start checks
                log.warning("the store could not be checked: %s", error)
                return
            if fault is not None:
                self._failed(StoreDamagedError(fault))
                return
            log.info("the store is sound, checked after an unclean end")
            is_sound.set()

        threading.Thread(target=check, name="check-file", daemon=True).start()
        return is_sound

    def _start_parts(self, stack: ExitStack, store: Store, plan: CellarPlan, is_new: bool) -> SelfWatch:
        settings = self._settings
        clock = ClockWatch(
            wall_ms,
            mono_s,
            is_synchronised,
            boot_id=boot_id(),
            last_received_ms=store.readings.last_received_ms(),
            anchor=anchor_from_json(store.watching.kept("clock")),
        )
        self_watch = SelfWatch(plan.sensors, store.alerts.open(), mono_s(), self._say_directly)

        def on_trouble(troubles: Troubles) -> None:
            now_ms = clock.now_ms()
            self_watch.delivery(undelivered(troubles, now_ms), now_ms)

        outbox = OutboxWorker(
            store.outbox,
            self._messenger,
            self._addresses,
            clock.now_ms,
            rouse=self._messenger.rouse,
            link=link_of(settings),
            pictures=MessagePictures(store, settings, plan, self._messenger.draw),
            on_trouble=on_trouble,
            mono=mono_s,
        )
        broker = settings.mqtt.broker()
        source = self._source(store, plan, SessionWatch(store, broker, self_watch, clock.now_ms).heard)
        upkeep = Upkeep(
            store,
            settings.store,
            self_watch,
            clock.now_ms,
            damaged=self._failed,
            should_stop=self._stop.is_set,
            mirrored_until_ms=lambda: None if self._mirror is None else self._mirror.done_ms(),
        )
        self._mirror = mirror_of(settings, store, plan, self_watch, clock.now_ms)
        jobs = [morning_job(store, settings, plan, clock.now_ms, outbox.wake), *upkeep.jobs()]
        schedule = Schedule(jobs, store.watching, plan.rules.units.zone, clock.now_ms)
        pipeline = Pipeline(
            store,
            plan,
            source,
            clock,
            self_watch,
            mono_s=mono_s,
            commit_s=settings.store.commit_seconds,
            commit_readings=settings.store.commit_readings,
            told=outbox.wake,
            stored=self._on_stored,
            clock_jumped=schedule.clock_jumped,
        )
        self._parts = (source, pipeline, outbox)
        if self._mirror is not None:
            self._mirror.start()
            stack.callback(self._mirror.stop)
        outbox.start()
        stack.callback(outbox.stop)
        schedule.start(first_time_ms=clock.now_ms() if is_new else None, sweeps=False)
        self._schedule = schedule
        stack.callback(schedule.stop)
        thread = threading.Thread(target=self._guarded, args=(pipeline,), name="pipeline", daemon=True)
        self._pipeline_thread = thread
        source.start()
        stack.callback(source.stop)
        thread.start()
        stack.callback(thread.join, 30.0)
        stack.callback(self._stop.set)
        vitals = Vitals(store, source, pipeline, outbox, self_watch, upkeep, self._mirror)
        if settings.web.enabled:
            self._serve_pages(stack, store, clock, vitals, pipeline.wake)
        return self_watch

    def _serve_pages(
        self, stack: ExitStack, store: Store, clock: ClockWatch, vitals: Vitals, wake: Callable[[], None]
    ) -> None:
        # Imported here: a daemon without pages need not hold the web's libraries in memory.
        from mustwatch.app.first_hour import FirstHour
        from mustwatch.app.web_backend import StoreHand, web_app
        from mustwatch.app.web_server import WebServer

        hand = StoreHand(
            store,
            self._settings,
            now_ms=clock.now_ms,
            health=lambda: vitals.health(mono_s()),
            metrics=lambda: vitals.metrics(mono_s()),
            wake=wake,
            listen=FirstHour(self._settings, clock.now_ms).look,
        )
        stack.callback(hand.close)
        web = self._settings.web
        server = WebServer(web_app(hand, self._settings), web.bind, web.port)
        stack.callback(server.stop)
        if server.start():
            log.info("pages at http://%s:%s/", web.bind, server.port)

    def _say_directly(self, title: str, body: str) -> None:
        """Tell everybody something without the store, trying once, without waiting for it."""

        def say() -> None:
            for address in self._addresses:
                self._messenger.deliver(address, Parcel(title, body, "urgent"))

        threading.Thread(target=say, name="say-directly", daemon=True).start()

    def _source(
        self, store: Store, plan: CellarPlan, on_session: Callable[[SessionNews], None]
    ) -> MqttSource:
        topics = sorted({t for s in plan.sensors.values() for t in (s.topics or (s.topic,))})
        former = json.loads(store.watching.kept("topics") or "[]")
        store.watching.keep("topics", json.dumps(topics))
        return MqttSource(
            self._settings.mqtt.broker(),
            topics,
            former_topics=former,
            on_fatal=self._failed,
            on_session=on_session,
            mono_s=mono_s,
            backoff_most_s=self._settings.mqtt.reconnect_most_seconds,
        )

    def _guarded(self, pipeline: Pipeline) -> None:
        try:
            pipeline.run(self._stop)
        except BaseException as fault:
            log.exception("the pipeline failed")
            self._failed(fault)

    def _failed(self, fault: BaseException) -> None:
        if isinstance(fault, StoreDamagedError):
            log.error("the store is damaged, ending to begin anew: %s", fault)
            try:
                mark_damaged(self._path, str(fault))
            except OSError as error:  # the next start finds out by itself
                log.error("it cannot be noted that the store is damaged: %s", error)
        if self._fault is None:  # what came of it later is not what was wrong
            self._fault = fault
            threading.Thread(target=_end_at_last, args=(self._has_ended,), name="end", daemon=True).start()
        self._stop.set()

    def _keep_watch(self) -> None:
        """Feed the service manager's watchdog while every part comes round; end when one does not."""
        source, pipeline, outbox = self._parts
        looked = mono_s()
        while not self._stop.wait(WATCH_EVERY_S):
            now = mono_s()
            has_slept, looked = now - looked > STUCK_AFTER_S / 2, now
            if has_slept:  # the machine did, and so did every part
                continue
            late = {
                "pipeline": now - pipeline.advanced_mono_s,
                "outbox": now - outbox.last_turn_mono,
            }
            stuck = [f"{name} for {s:.0f} s" for name, s in late.items() if s > STUCK_AFTER_S]
            holder, held_s = self._database.held()
            if held_s > HELD_MOST_S:
                stuck = [f"{holder}, in a transaction, for {held_s:.0f} s"]
            if not source.healthy():
                stuck.append("the broker's connection thread")
            if not outbox.is_alive or not self._pipeline_thread.is_alive():
                stuck.append("a thread died")
            if stuck:
                log.error("stuck: %s", ", ".join(stuck))
                self._failed(PartFailedError(f"stuck: {', '.join(stuck)}"))
                return
            self._manager.tell("WATCHDOG=1")
        self._manager.tell("STOPPING=1")


def _end_at_last(has_ended: threading.Event) -> None:
    """End the process if closing in order does not: a lock that is never given back would keep it for ever."""
    if has_ended.wait(ENDS_WITHIN_S):
        return
    # Written past the log: its lock too may be held for ever.
    os.write(2, b"CRITICAL mustwatch: it cannot be ended in order, ending at once\n")
    os._exit(1)
