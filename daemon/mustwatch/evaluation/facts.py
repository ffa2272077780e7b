"""What the watch says of a lot, as the plain values the cellar's rules work with."""

from collections.abc import Mapping
from typing import Any

from mustwatch.alerting.alert import Alert
from mustwatch.cellar.facts import Facts, Foreseen
from mustwatch.cellar.history import CellarHistory, LotHistory
from mustwatch.config.plan import CellarPlan


def facts_of(
    lot: LotHistory,
    history: CellarHistory,
    now: Mapping[str, Any] | None,
    alerts: list[Alert],
    plan: CellarPlan,
) -> Facts:
    """Return what the watch says of a lot as the plain values the cellar's rules work with.

    Args:
        lot: which.
        history: the whole cellar's, to know which floats are with it.
        now: its present state as kept by the evaluation, or None.
        alerts: those that hold, of any lot.
        plan: the configured sensors.
    """
    now = now or {}
    floats = tuple(
        sensor
        for sensor, stays in history.sensor_stays.items()
        if stays
        and stays[-1].vessel in lot.parts
        and sensor in plan.sensors
        and plan.sensors[sensor].kind.value == "float"
    )
    return Facts(
        findings={a.kind.name: a.opened_ms for a in alerts if a.subject.lot == lot.lot},
        gravity=now.get("gravity"),
        gravity_sd=now.get("gravity_sd"),
        rate_per_day=now.get("rate_per_day"),
        rate_sd=now.get("rate_sd"),
        temperature_c=now.get("temperature_c"),
        estimated_ms=now.get("at_ms"),
        rack=Foreseen(*now["rack"]) if now.get("rack") else None,
        finish=Foreseen(*now["finish"]) if now.get("finish") else None,
        floats=floats,
    )
