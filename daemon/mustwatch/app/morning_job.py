"""The morning's message, put in the outbox when the night is over and there is something to say."""

import json
from collections.abc import Callable
from datetime import timedelta

from mustwatch.alerting.message import MessageKind, written_message
from mustwatch.app.schedule import Job
from mustwatch.cellar.instant import HOUR_MS
from mustwatch.config.plan import CellarPlan
from mustwatch.config.settings import Settings
from mustwatch.store.store import Store
from mustwatch.views.morning import is_news, morning
from mustwatch.watch.finding import Severity

REVIEW_LIFE_MS = 6 * HOUR_MS
"""Later than this nobody wants to read how the night was."""
TOLD = "morning-told"
"""Under this the store keeps what the morning's messages told, and when."""


def morning_job(
    store: Store,
    settings: Settings,
    plan: CellarPlan,
    now_ms: Callable[[], int],
    told: Callable[[], None],
) -> Job:
    """Return the daily job that tells everybody who hears notices what is due and how the night was.

    On a morning with nothing new to say nothing is told.

    Args:
        store, settings, plan: the daemon's.
        now_ms: the wall clock.
        told: called when the messages are in the outbox.
    """

    def review(due_ms: int) -> None:
        said = morning(store, settings, due_ms - 1)
        at_ms = now_ms()
        before: dict[str, int] = json.loads(store.watching.kept(TOLD) or "{}")
        targets = [target for target in plan.rules.targets if target.wants(Severity.NOTICE)]
        if not targets or not is_news(said.keys, before, at_ms):
            return
        with store.transaction():
            store.outbox.put(
                written_message(
                    MessageKind.REVIEW, target.name, said.title, said.body, at_ms, REVIEW_LIFE_MS, said.night
                )
                for target in targets
            )
            store.watching.keep(TOLD, json.dumps(dict.fromkeys(said.keys, at_ms)))
        told()

    cellar = settings.cellar
    return Job(
        "morning-review",
        review,
        at=cellar.morning_review or cellar.night_ends,
        stale_after=timedelta(milliseconds=REVIEW_LIFE_MS),
    )
