"""The morning's message, put in the outbox when the night is over and there is something to say."""

import json
from collections.abc import Callable
from datetime import timedelta

from mustwatch.alerting.message import MessageKind, written_message
from mustwatch.alerting.rules import MORNING, Digest
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
"""Under this the store keeps what the morning's messages told each target, and when."""


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
        before: dict[str, dict[str, int]] = json.loads(store.watching.kept(TOLD) or "{}")
        is_monday = plan.rules.units.measures.local(due_ms).weekday() == 0
        news: dict[str, tuple[str, ...]] = {}
        for target in plan.rules.targets:
            is_its_day = is_monday or target.digest is not Digest.WEEKLY
            keys = said.keys_for(target)
            if (
                is_its_day
                and target.wants(Severity.NOTICE, MORNING)
                and is_news(keys, before.get(target.name), at_ms)
            ):
                news[target.name] = keys
        if not news:
            return
        with store.transaction():
            store.outbox.put(
                written_message(
                    MessageKind.REVIEW, name, said.title, said.body, at_ms, REVIEW_LIFE_MS, said.night
                )
                for name in news
            )
            told_now = {name: dict.fromkeys(keys, at_ms) for name, keys in news.items()}
            kept = {name: keys for name, keys in before.items() if isinstance(keys, dict)}
            store.watching.keep(TOLD, json.dumps(kept | told_now))
        told()

    cellar = settings.cellar
    return Job(
        "morning-review",
        review,
        at=cellar.morning_review or cellar.night_ends,
        stale_after=timedelta(milliseconds=REVIEW_LIFE_MS),
    )
