"""The store's timed upkeep: thinning, free room on the card, the nightly backup, retention, the log file's size."""

import logging
import shutil
from collections.abc import Callable
from datetime import time, timedelta

from mustwatch.app.memory import give_back
from mustwatch.app.schedule import Job
from mustwatch.app.self_watch import SelfWatch
from mustwatch.cellar.instant import DAY_MS
from mustwatch.config.settings import StoreSettings
from mustwatch.store.backup import Backup, BackupError, SourceDamagedError, backup_folder, make_backup
from mustwatch.store.retention import thin
from mustwatch.store.rollup import roll_up
from mustwatch.store.soundness import StoreDamagedError
from mustwatch.store.store import Store
from mustwatch.watch.findings.storage_trouble import Part, StorageTrouble

log = logging.getLogger(__name__)

OUTBOX_KEPT_MS = 60 * DAY_MS
BACKUP_AT = time(3, 30)
"""Local time of the backup: nobody is at the pages, and the morning's review has not begun."""
RETENTION_AT = time(4, 30)
"""After the backup, which then still holds what is thinned."""
LITTLE_ROOM_BYTES = 200 * 1024 * 1024
LITTLE_ROOM_SHARE = 0.05
"""The card is nearly full below the lesser of the two: a month of readings and a log or two still fit."""
WELL_AGAIN = 1.25
"""There is room again above this many times the bound, so that the finding does not come and go."""


class Upkeep:
    """Runs from the schedule's thread; what goes wrong becomes a finding, and is tried again."""

    def __init__(
        self,
        store: Store,
        settings: StoreSettings,
        self_watch: SelfWatch,
        now_ms: Callable[[], int],
        *,
        damaged: Callable[[BaseException], None],
        should_stop: Callable[[], bool],
        mirrored_until_ms: Callable[[], int | None] = lambda: None,
    ) -> None:
        """Take what is needed.

        Args:
            store, settings, self_watch: the store, ``[store]``, and where trouble is noted.
            now_ms: the daemon's clock.
            damaged: told when the store turns out to be damaged: the process must end.
            should_stop: asked while a backup is written.
            mirrored_until_ms: up to when readings are mirrored, None without a mirror; younger ones are not thinned.
        """
        self._store = store
        self._settings = settings
        self._self_watch = self_watch
        self._now_ms = now_ms
        self._damaged = damaged
        self._should_stop = should_stop
        self._mirrored_until_ms = mirrored_until_ms
        self._folder = backup_folder(store.path, settings.backup_dir)
        self._backup_is_owed = False
        self._has_little_room = False
        self.last_backup_ms: int | None = None
        """When the last backup of this run of the daemon was made."""

    def jobs(self) -> list[Job]:
        """Return the jobs for the schedule."""
        return [
            Job("upkeep", lambda due: self.hourly(due), every=timedelta(hours=1)),
            Job("backup", lambda due: self.backup(), at=BACKUP_AT),
            Job("retention", lambda due: self.retention(), at=RETENTION_AT),
        ]

    def hourly(self, now_ms: int) -> None:
        """Thin checkpoints and the outbox, look at the room, bound the log file; make a backup that is owed."""
        self.look_at_the_room()
        with self._store.transaction():
            self._store.watching.thin_checkpoints(now_ms)
            self._store.outbox.forget_before(now_ms - OUTBOX_KEPT_MS)
        roll_up(self._store.database, now_ms, self._should_stop)
        self._store.database.tidy_log()
        if self._backup_is_owed and not self._should_stop():
            self.backup()
        give_back()

    def look_at_the_room(self) -> None:
        """Note how much room the card has."""
        usage = shutil.disk_usage(self._store.path.parent)
        bound = min(LITTLE_ROOM_BYTES, LITTLE_ROOM_SHARE * usage.total)
        self._has_little_room = usage.free < bound * (WELL_AGAIN if self._has_little_room else 1.0)
        trouble = (
            StorageTrouble("it will be full soon", free_mb=usage.free // 2**20)
            if self._has_little_room
            else None
        )
        self._self_watch.storage(Part.ROOM, trouble, self._now_ms())

    def backup(self) -> None:
        """Make the backup; if it cannot be made, that becomes a finding, and it is tried again every hour."""
        try:
            made: Backup = make_backup(
                self._store.path,
                self._folder,
                self._now_ms(),
                self._settings.backup_keep,
                should_stop=self._should_stop,
            )
        except SourceDamagedError as error:
            self._damaged(StoreDamagedError(str(error)))
            return
        except BackupError as error:
            self._backup_is_owed = True
            if self._should_stop():
                log.info("no backup: %s", error)
                return
            log.error("backup failed: %s", error)
            self._self_watch.storage(Part.BACKUP, StorageTrouble(str(error)), self._now_ms())
            return
        self._backup_is_owed = False
        self.last_backup_ms = self._now_ms()
        log.info(
            "backup made file=%s readings=%d bytes=%d",
            made.path.name,
            made.readings,
            made.size_bytes,
        )
        for part in (Part.BACKUP, Part.FILE, Part.GONE):
            self._self_watch.storage(part, None, self._now_ms())
        give_back()

    def retention(self) -> None:
        """Let raw readings go that are older than they are kept; their quarters of an hour stay."""
        now_ms = self._now_ms()
        before_ms = now_ms - self._settings.keep_raw_days * DAY_MS
        mirrored_ms = self._mirrored_until_ms()
        if mirrored_ms is not None:
            # A mirror that never comes back must not keep them for ever.
            before_ms = min(before_ms, max(mirrored_ms, before_ms - self._settings.keep_raw_days * DAY_MS))
        gone = thin(self._store.database, before_ms, self._should_stop)
        if gone:
            log.info("raw readings thinned to quarters of an hour readings=%d", gone)
