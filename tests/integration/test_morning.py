"""The morning's message over a few days: said once, said again when still so, and never longer than a phone's screen."""

from itertools import pairwise
from pathlib import Path

from cellars import T0, entry, new_store
from mustwatch.alerting.rules import MORNING, Digest, TellRules, TellTarget
from mustwatch.app.morning_job import morning_job
from mustwatch.cellar.book import Measurement, Start
from mustwatch.cellar.instant import DAY_MS, HOUR_MS
from mustwatch.config.plan import CellarPlan, plan_of
from mustwatch.config.settings import Settings
from mustwatch.store.store import Store

SETTINGS = Settings.model_validate(
    {
        "cellar": {"timezone": "UTC", "name": "Hillside"},
        "vessel": [{"name": f"bucket-{n}", "kind": "bucket", "litres": 30} for n in range(12)],
    }
)
NINE_MS = 9 * HOUR_MS


def plan() -> CellarPlan:
    of = plan_of(SETTINGS)
    return CellarPlan(of.sensors, of.vessels, of.profile_for, TellRules(targets=(TellTarget("phone"),)))


def mornings(store: Store, days: range) -> list[tuple[int, str, str]]:
    """Let mornings pass and return what was told: the day, title and body."""
    told = []
    for day in days:
        at_ms = T0 + day * DAY_MS + NINE_MS
        before = {row.message.id for row in store.outbox.waiting()}
        morning_job(store, SETTINGS, plan(), lambda at=at_ms: at, lambda: None).run(at_ms)  # type: ignore[misc]
        fresh = [row.message for row in store.outbox.waiting() if row.message.id not in before]
        told += [(day, message.title, message.body) for message in fresh]
    return told


def lot(number: int) -> Start:
    return Start(f"bucket-{number}", gravity=1.050, temperature_c=19.0, profile="kit")


def test_what_stays_due_is_told_again_after_a_week_and_not_once_it_is_done(tmp_path: Path) -> None:
    store = new_store(tmp_path / "c.db", entry(0, lot(0)))

    told = mornings(store, range(1, 16))
    dips = [day for day, _, body in told if "Dip the hydrometer" in body]
    assert dips
    assert len(dips) > 1
    assert all(later - earlier >= 7 for earlier, later in pairwise(dips))

    store.book.append(entry(15.6, Measurement(gravity=1.020, temperature_c=19.0)))
    assert [body for _, _, body in mornings(store, range(16, 17)) if "Dip the hydrometer" in body] == []


def test_twelve_wines_that_wait_make_one_screen_of_a_phone(tmp_path: Path) -> None:
    store = new_store(tmp_path / "c.db", *(entry(0, lot(n), f"s{n}", f"lot {n}") for n in range(12)))

    (_, title, body), *_ = mornings(store, range(5, 6))

    assert title == "Good morning from Hillside: 12 things due"
    assert len(body.splitlines()) <= 8
    assert "And 5 more" in body
    assert len(body) <= 8 * 160


def test_each_target_hears_of_the_morning_as_it_wants(tmp_path: Path) -> None:
    store = new_store(tmp_path / "c.db", entry(0, lot(0)))
    of = plan_of(SETTINGS)
    targets = (
        TellTarget("daily", digest=Digest.DAILY),
        TellTarget("weekly", digest=Digest.WEEKLY),
        TellTarget("alerts", kinds=frozenset({"stuck"})),
        TellTarget("mornings", kinds=frozenset({MORNING})),
    )
    rules = CellarPlan(of.sensors, of.vessels, of.profile_for, TellRules(targets=targets))
    for day in range(3, 9):  # 2026-09-04, a Friday, to Wednesday
        at_ms = T0 + day * DAY_MS + NINE_MS
        morning_job(store, SETTINGS, rules, lambda at=at_ms: at, lambda: None).run(at_ms)  # type: ignore[misc]

    told = [(row.message.target, (row.message.created_ms - T0) // DAY_MS) for row in store.outbox.waiting()]
    assert sorted(told) == [("daily", 3), ("mornings", 3), ("weekly", 6)]
