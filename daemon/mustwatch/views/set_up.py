"""What of the set-up is not finished: a sensor that is heard and yet of no use, or taken for something by default.

Not a fault, so nothing is refused; the same sentences stand in ``check``, in ``cellar`` and on the cellar's page.
"""

from collections.abc import Iterator

from mustwatch.cellar.history import CellarHistory
from mustwatch.cellar.instant import DAY_MS
from mustwatch.cellar.reading import Reading
from mustwatch.cellar.sensor import Sensor, SensorKind
from mustwatch.config.plan import CellarPlan
from mustwatch.config.sensor_settings import DEFAULT_UNITS, UNITS
from mustwatch.config.settings import Settings
from mustwatch.store.store import Store
from mustwatch.views.sensors import newest_of_each

UNITS_ASKED = ("gravity", "inclination", "temperature")
"""Quantities whose unit is worth writing down: a wrong one is believed for a while."""


def set_up_remarks(store: Store, settings: Settings, plan: CellarPlan, now_ms: int) -> list[str]:
    """Return a sentence for each thing that is not finished, in the order of the configuration."""
    history = store.book.history()
    remarks: list[str] = []
    for sensor in plan.sensors.values():
        latest = newest_of_each(store, sensor.id, now_ms) if sensor.kind is SensorKind.FLOAT else None
        if latest is not None and now_ms - latest.received_ms < DAY_MS:
            remarks += _of_float(store, sensor, latest, history, now_ms)
    return remarks + list(unit_remarks(settings))


def unit_remarks(settings: Settings) -> Iterator[str]:
    """Yield a sentence for each quantity whose unit is not written down."""
    for sensor in settings.sensor:
        for name in UNITS_ASKED:
            field = sensor.fields.get(name)  # type: ignore[call-overload]
            if field is not None and field.unit is None:
                others = ", ".join(f'"{unit}"' for unit in UNITS[name])
                yield (
                    f"{sensor.id}: the unit of its {name} is not in the configuration and taken to be "
                    f"{DEFAULT_UNITS[name]}; write it down ({others})"
                )


def _of_float(
    store: Store, sensor: Sensor, latest: Reading, history: CellarHistory, now_ms: int
) -> Iterator[str]:
    is_calibrated = bool(sensor.calibration) or bool(store.book.calibrations(sensor.id))
    if latest.gravity is None and latest.inclination_deg is not None and not is_calibrated:
        yield (
            f"{sensor.id} says how it leans and is not calibrated, so no gravity is known from it: "
            f"mustwatch calibrate {sensor.id} --point ANGLE:GRAVITY --point ..."
        )
    place = history.place(sensor.id, now_ms)
    if place.vessel is not None and place.lot is None:
        yield (
            f"{sensor.id} speaks in {place.vessel}, where no lot is, so nobody watches it: "
            f"mustwatch record start LOT --vessel {place.vessel} ..."
        )
