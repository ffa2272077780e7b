"""The first hour: while no lot has begun, the cellar's page shows what arrives on the broker, configured or not."""

import logging
import threading
from collections.abc import Callable
from typing import Any

from mustwatch.config.settings import Settings, find_config
from mustwatch.ingest.broker_settings import BrokerSettingsError
from mustwatch.listening.broker import Heard, visit
from mustwatch.listening.heard import heard_document, topics_of
from mustwatch.listening.report import Ear

log = logging.getLogger(__name__)

LISTEN_S = 60.0
"""For so long the broker is listened to once somebody looks; whoever looks again after that has it begin anew."""


class FirstHour:
    """Listens to everything on the broker as a visitor, in a thread that is there only while somebody looks."""

    def __init__(self, settings: Settings, now_ms: Callable[[], int]) -> None:
        """Use a configuration; nothing is listened to before ``look``."""
        self._settings = settings
        self._now_ms = now_ms
        self._ear = Ear()
        self._trouble: str | None = None
        self._lock = threading.Lock()
        self._thread: threading.Thread | None = None

    def look(self) -> dict[str, Any]:
        """Return what was heard so far as ``listen --json``, with ``trouble`` and what to copy entries into."""
        with self._lock:
            if self._thread is None or not self._thread.is_alive():
                self._thread = threading.Thread(target=self._listen, name="first-hour", daemon=True)
                self._thread.start()
            document = heard_document(self._ear, topics_of(self._settings), self._settings, self._now_ms())
        where = f"{self._settings.mqtt.host}:{self._settings.mqtt.port}"
        return {
            **document,
            "broker": where,
            "trouble": self._trouble,
            "config": str(find_config(None) or "the configuration"),
        }

    def _listen(self) -> None:
        try:
            gone = visit(self._settings.mqtt.broker(), ("#",), LISTEN_S, self._take)
            refused = (
                gone.refused
                and "the broker does not let us hear everything: only what is configured is shown"
            )
            self._trouble = gone.trouble or refused or None
        except BrokerSettingsError as error:
            self._trouble = str(error)
        except Exception:
            log.exception("listening for the page failed")

    def _take(self, message: Heard) -> None:
        with self._lock:
            self._ear.hear(*message)
