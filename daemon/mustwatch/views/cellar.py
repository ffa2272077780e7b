"""The cellar as commands and pages show it: assembled from the store by one set of rules."""

from collections.abc import Mapping
from functools import partial
from typing import Any

from mustwatch.alerting.alert import Alert
from mustwatch.alerting.wording import public
from mustwatch.cellar.guidance import Fermenting, co2_caution, reminders, say_when
from mustwatch.cellar.history import CellarHistory, LotHistory
from mustwatch.cellar.instant import DAY_MS, iso
from mustwatch.cellar.measures import Measures
from mustwatch.cellar.profile import Stage
from mustwatch.cellar.requirements import Case
from mustwatch.cellar.steps import NextStep, band_now, next_steps, stage_now
from mustwatch.config.plan import CellarPlan, plan_of
from mustwatch.config.settings import Settings
from mustwatch.config.unwatched import unwatched_lots
from mustwatch.evaluation.facts import facts_of
from mustwatch.store.store import Store
from mustwatch.views.overview import cellar_overview
from mustwatch.views.set_up import set_up_remarks
from mustwatch.views.strength import strength_now
from mustwatch.views.unbooked import unbooked_wines


def step_public(step: NextStep, measures: Measures, now_ms: int) -> dict[str, Any]:
    """Return a next step as JSON and text show it."""
    return {
        "id": step.step.id,
        "do": step.do,
        "why": step.step.why,
        "due": step.due.value,
        "due_at": iso(step.due_ms),
        "earliest_at": iso(step.earliest_ms),
        "latest_at": iso(step.latest_ms),
        "waiting_for": step.waiting_for,
        "first": list(step.first),
        "ready": list(step.ready),
        "source": step.step.source,
        "done_by": step.step.done_by,
        "when": say_when(step, now_ms, measures),
    }


def _fermenting(lot: LotHistory, rate_per_day: float, plan: CellarPlan) -> Fermenting:
    """Return what a lot gives off; a lot of unknown volume counts as a full vessel."""
    vessel = plan.vessels.get(lot.vessel or "")
    litres = lot.litres if lot.litres is not None else vessel.litres if vessel is not None else 0.0
    return Fermenting(lot.lot, litres, rate_per_day)


def present_stage(
    lot: LotHistory,
    history: CellarHistory,
    now: Mapping[str, Mapping[str, Any]],
    alerts: list[Alert],
    plan: CellarPlan,
    now_ms: int,
) -> Stage:
    """Return the stage a lot is in now: the one answer of cellar, book, pages and print."""
    profile = plan.profile_for(lot)
    return stage_now(
        profile, Case(lot, profile, facts_of(lot, history, now.get(lot.lot), alerts, plan), now_ms)
    )


def cellar_view(store: Store, settings: Settings, now_ms: int) -> dict[str, Any]:
    """Return the document of ``mustwatch cellar --json`` and of the cellar page."""
    plan = plan_of(settings)
    measures = plan.rules.units.measures
    history = store.book.history()
    now = store.watching.now()
    alerts = store.alerts.open()
    stage = partial(present_stage, history=history, now=now, alerts=alerts, plan=plan, now_ms=now_ms)
    rows = cellar_overview(plan.vessels, history, now, partial(strength_now, store), stage)
    unwatched = unwatched_lots(history, plan)
    behind = {due.lot: due.reached_ms for due in store.revising.all()}
    fermenting: list[Fermenting] = []
    for row in rows:
        lot = history.lots.get(row["lot"]) if row["lot"] is not None else None
        row["next"], row["remember"] = [], []
        row["band"] = None
        row["evaluated_until"] = None
        row["unwatched"] = unwatched.get(row["lot"] or "")
        if lot is not None:
            if lot.lot in behind:
                row["evaluated_until"] = iso(max(behind[lot.lot], lot.started_ms))
            profile = plan.profile_for(lot)
            facts = facts_of(lot, history, now.get(lot.lot), alerts, plan)
            steps = next_steps(lot, profile, now_ms, facts, measures=measures)
            row["next"] = [step_public(s, measures, now_ms) for s in steps]
            row["remember"] = [
                {"do": r.do, "why": r.why, "due_at": iso(r.due_ms), "step": r.step}
                for r in reminders(lot, profile, now_ms, facts)
            ]
            case = Case(lot, profile, facts, now_ms)
            is_fresh = facts.estimated_ms is not None and now_ms - facts.estimated_ms < DAY_MS
            is_told = any(of.lot == lot.lot for of in fermenting)  # with another of its vessels
            if facts.rate_per_day is not None and is_fresh and not is_told:
                fermenting.append(_fermenting(lot, facts.rate_per_day, plan))
            band = band_now(profile, case)
            row["band"] = {
                "low": band.low_c,
                "high": band.high_c,
                "urgent_low": band.urgent_low_c,
                "urgent_high": band.urgent_high_c,
            }
    return {
        "cellar": settings.cellar.name,
        "at": iso(now_ms),
        "vessels": rows,
        "cautions": [
            *([caution] if (caution := co2_caution(fermenting)) is not None else []),
            *unbooked_wines(alerts, plan.rules.units),
        ],
        "remarks": set_up_remarks(store, settings, plan, now_ms),
        "alerts": [public(alert, plan.rules.units, now_ms) for alert in alerts],
    }
