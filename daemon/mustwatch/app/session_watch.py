"""Whether the broker kept for us what it was to keep: its session, under a name that is ours alone."""

import json
import logging
import sqlite3
from collections.abc import Callable

from mustwatch.app.self_watch import SelfWatch
from mustwatch.ingest.broker_settings import BrokerSettings
from mustwatch.ingest.client import SessionNews
from mustwatch.store.store import Store

log = logging.getLogger(__name__)

KEPT = "session"


class SessionWatch:
    """Remembers on disk where the broker took us last, and finds trouble where it should know us and does not."""

    def __init__(
        self, store: Store, broker: BrokerSettings, self_watch: SelfWatch, now_ms: Callable[[], int]
    ) -> None:
        """Use the daemon's parts; ``heard`` does the rest."""
        self._store = store
        self._self_watch = self_watch
        self._now_ms = now_ms
        self._name = json.dumps([broker.host, broker.port, broker.username, broker.client_id])

    def heard(self, news: SessionNews) -> None:
        """Note what a connection showed. Safe from any thread."""
        try:
            is_known = self._store.watching.kept(KEPT) == self._name
            since_ms = self._store.readings.last_received_ms()
            if news is SessionNews.CONTESTED:
                log.warning("the broker puts us out again and again: another program uses our client id")
                self._self_watch.broker("contested", since_ms, self._now_ms())
            elif news is SessionNews.NEW and is_known:
                log.warning("the broker has forgotten our session: readings may be missing")
                self._self_watch.broker("lost", since_ms, self._now_ms())
            if not is_known:
                self._store.watching.keep(KEPT, self._name)
        except sqlite3.Error as error:  # the store is in trouble, which is told by itself
            log.warning("what the broker said of our session could not be looked into: %s", error)
