"""The morning's review of the night, put in the outbox when the night is over."""

from collections.abc import Callable
from datetime import timedelta

from mustwatch.alerting.message import MessageKind, written_message
from mustwatch.app.schedule import Job
from mustwatch.cellar.instant import HOUR_MS
from mustwatch.config.plan import CellarPlan
from mustwatch.config.settings import Settings
from mustwatch.store.store import Store
from mustwatch.views.morning import morning
from mustwatch.watch.finding import Severity

REVIEW_LIFE_MS = 6 * HOUR_MS
"""Later than this nobody wants to read how the night was."""


def morning_job(store: Store, settings: Settings, plan: CellarPlan, told: Callable[[], None]) -> Job:
    """Return the daily job that tells everybody who hears notices how the night was.

    Args:
        store, settings, plan: the daemon's.
        told: called when the messages are in the outbox.
    """

    def review(due_ms: int) -> None:
        night, title, body = morning(store, settings, due_ms - 1)
        with store.transaction():
            store.outbox.put(
                written_message(MessageKind.REVIEW, target.name, title, body, due_ms, REVIEW_LIFE_MS, night)
                for target in plan.rules.targets
                if target.wants(Severity.NOTICE)
            )
        told()

    cellar = settings.cellar
    return Job(
        "morning-review",
        review,
        at=cellar.morning_review or cellar.night_ends,
        stale_after=timedelta(milliseconds=REVIEW_LIFE_MS),
    )
