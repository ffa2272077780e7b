"""Wires the mirror: from the configuration to a mirror whose trouble becomes a finding, or to none."""

from collections.abc import Callable

from mustwatch.app.memory import give_back
from mustwatch.app.self_watch import SelfWatch
from mustwatch.config.plan import CellarPlan
from mustwatch.config.settings import Settings
from mustwatch.ingest.system_clock import mono_s
from mustwatch.messenger.mirror_server import MirrorServer
from mustwatch.store.mirror import Mirror
from mustwatch.store.mirror_influx import Bucket
from mustwatch.store.mirror_lines import Lines
from mustwatch.store.mirror_spool import Spool
from mustwatch.store.mirror_troubles import Told
from mustwatch.store.store import Store
from mustwatch.watch.findings.storage_trouble import Part, StorageTrouble


def mirror_of(
    settings: Settings, store: Store, plan: CellarPlan, self_watch: SelfWatch, now_ms: Callable[[], int]
) -> Mirror | None:
    """Return the mirror that the configuration asks for; without one, forget what was noted to be sent."""
    influx, cellar = settings.influx, settings.cellar.name
    if influx is None:
        Spool(store).forget()
        return None

    def on_trouble(told: Told) -> None:
        self_watch.storage(Part.MIRROR, None if told is None else StorageTrouble(*told), now_ms())

    return Mirror(
        store,
        MirrorServer(Bucket(influx.url, influx.org, influx.bucket, influx.token.get_secret_value())),
        Lines(influx.site, cellar),
        "\n".join((influx.url, influx.org, influx.bucket, influx.site, cellar)),
        {sensor.id: sensor.kind.value for sensor in plan.sensors.values()},
        clock_ms=now_ms,
        mono_s=mono_s,
        on_trouble=on_trouble,
        on_caught_up=give_back,
        every_s=influx.every_seconds,
    )
