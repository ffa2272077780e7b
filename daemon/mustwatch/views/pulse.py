"""Whether what the pages show is of now: heard how long ago, and which sensors are silent."""

from typing import Any

from mustwatch.cellar.instant import iso
from mustwatch.config.plan import CellarPlan
from mustwatch.store.store import Store


def pulse(store: Store, plan: CellarPlan, now_ms: int, broker: str) -> dict[str, Any]:
    """Return when anything was heard last, how many sensors there are, which are silent, and how many alerts hold.

    Args:
        store, plan: the cellar's.
        now_ms: the present.
        broker: ``connected``, or what is wrong.
    """
    silent: list[str] = []
    for sensor in plan.sensors.values():
        allowed_ms = round(sensor.silent_after_s * 1000)
        # What a float gathered comes late; further back a search would pass over everybody else's readings.
        latest = store.readings.latest(sensor.id, now_ms - 2 * allowed_ms)
        if latest is None or now_ms - latest.received_ms > allowed_ms:
            silent.append(sensor.id)
    held = store.alerts.open()
    return {
        "open": len(held),
        "fresh": sum(alert.acknowledged_ms is None for alert in held),
        "heard_at": iso(store.readings.last_received_ms()),
        "sensors": len(plan.sensors),
        "silent": silent,
        "broker": broker,
    }
