"""How the daemon is: figures for ``/metrics`` and ``/health``, gathered from its parts."""

import shutil
from collections.abc import Mapping
from typing import Any

from mustwatch.app.pipeline import Pipeline
from mustwatch.app.self_watch import SelfWatch
from mustwatch.app.upkeep import Upkeep
from mustwatch.deliver.worker import OutboxWorker
from mustwatch.ingest.client import MqttSource
from mustwatch.store.mirror import Mirror
from mustwatch.store.store import Store

LAG_MOST_S = 120.0
"""A pipeline that has done nothing for this long is not well."""


class Vitals:
    """Looks at the parts; every method may be called from any thread."""

    def __init__(
        self,
        store: Store,
        source: MqttSource,
        pipeline: Pipeline,
        outbox: OutboxWorker,
        self_watch: SelfWatch,
        upkeep: Upkeep | None = None,
        mirror: Mirror | None = None,
    ) -> None:
        """Use the daemon's parts."""
        self._store = store
        self._source = source
        self._pipeline = pipeline
        self._outbox = outbox
        self._self_watch = self_watch
        self._upkeep = upkeep
        self._mirror = mirror

    def metrics(self, mono_s: float) -> Mapping[str, float]:
        """Return counters and gauges by name (without the ``mustwatch_`` prefix), labels included in the name."""
        counters, source = self._pipeline.counters, self._source.status()
        figures: dict[str, float] = {
            "readings_in_total": counters.arrivals,
            "readings_stored_total": counters.stored,
            "readings_duplicate_total": counters.duplicates,
            "readings_quarantined_total": counters.quarantined,
            "readings_ignored_total": counters.ignored,
            "commits_total": counters.commits,
            "commits_failed_total": counters.failed_commits,
            "messages_total": counters.messages,
            "commit_lag_seconds": counters.lag_ms / 1000,
            "pipeline_idle_seconds": mono_s - self._pipeline.advanced_mono_s,
            "broker_connected": float(source.is_connected),
            "broker_connections_total": source.connections,
            "inbox_depth": source.waiting,
            "outbox_depth": self._outbox.waiting,
            "storage_writable": float(not self._pipeline.is_failing),
            "storage_held_seconds_most": self._store.database.longest_held_s,
            "lots_evaluated_again": len(self._pipeline.behind),
            "storage_free_bytes": shutil.disk_usage(self._store.path.parent).free,
        }
        if self._mirror is not None:
            mirror = self._mirror.status
            figures |= {
                "mirror_spool_depth": mirror.depth,
                "mirror_refused": mirror.refused,
                "mirror_sent_total": mirror.sent,
                "mirror_well": float(mirror.trouble is None),
            }
        if self._upkeep is not None and self._upkeep.last_backup_ms is not None:
            figures["backup_last_timestamp_seconds"] = self._upkeep.last_backup_ms / 1000
        if self._store.path.exists():
            figures["store_bytes"] = self._store.path.stat().st_size
            figures["store_log_bytes"] = self._store.database.log_bytes()
        for sensor, ago_s in self._self_watch.last_heard_s(mono_s).items():
            label = sensor.replace("\\", "\\\\").replace('"', '\\"').replace("\n", " ")
            figures[f'sensor_heard_seconds_ago{{sensor="{label}"}}'] = ago_s
        return figures

    def health(self, mono_s: float) -> tuple[bool, dict[str, Any]]:
        """Return whether all is well, and what was looked at."""
        source = self._source.status()
        goes_round = mono_s - self._pipeline.advanced_mono_s < LAG_MOST_S
        document = {
            "pipeline": "ok" if goes_round else "stuck",
            "broker": "connected" if source.is_connected else (source.trouble or "not connected"),
            "refused_topics": list(source.refused_topics),
            "outbox_waiting": self._outbox.waiting,
            "failed_commits": self._pipeline.counters.failed_commits,
            "storage": "cannot be written" if self._pipeline.is_failing else "well",
            "mirror": None if self._mirror is None else (self._mirror.status.trouble or "well"),
            "evaluated_again": {behind.lot: f"{behind.percent} %" for behind in self._pipeline.behind},
            "log_bytes": int(self.metrics(mono_s).get("store_log_bytes", 0)),
        }
        return goes_round and source.is_connected and not self._pipeline.is_failing, document
