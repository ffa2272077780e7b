"""Floats that speak of a wine where the book has no lot: what they read, and what to write down."""

from collections.abc import Iterator
from statistics import median

from mustwatch.cellar.history import CellarHistory
from mustwatch.cellar.instant import DAY_MS, HOUR_MS
from mustwatch.cellar.measures import Measures
from mustwatch.cellar.sensor import SensorKind
from mustwatch.config.plan import CellarPlan
from mustwatch.evaluation.placing import Placer
from mustwatch.store.store import Store

FRESH_MS = 6 * HOUR_MS
"""A float that said nothing for longer says nothing of the present."""
SPAN_MS = 6 * HOUR_MS
"""It is listened to for at least so long."""
FALLS = 0.004
"""A fall of so much within a day is a ferment; a float on a shelf or in water keeps its value. Own choice."""
WATER_LIKE = 1.005
FEWEST = 8
"""Readings, so that the ends of the day are a median of two at least."""


def unbooked_wines(
    store: Store, plan: CellarPlan, measures: Measures, history: CellarHistory, now_ms: int
) -> Iterator[str]:
    """Yield a sentence for each float whose gravity fell within the last day as a ferment's does, in no lot."""
    placer: Placer | None = None
    for sensor in plan.sensors.values():
        place = history.place(sensor.id, now_ms)
        if sensor.kind is not SensorKind.FLOAT or place.lot is not None:
            continue
        placer = placer or Placer(store, plan)
        said = store.readings.between(max(now_ms - DAY_MS, place.from_ms), now_ms + 1, [sensor.id])
        points = [
            (reading.observed_ms, gravity)
            for reading in said
            if (gravity := placer.observation(reading, place.vessel or "").gravity) is not None
        ]
        gravity = _fermenting_at(points, now_ms)
        if gravity is None:
            continue
        reads = f"{sensor.id} reads {measures.gravity(gravity)} and falling"
        if place.vessel is None:
            yield (
                f"{reads}, and the book has it out: where is it? "
                f"mustwatch record move {sensor.id!r} --to VESSEL, or begin a lot"
            )
        else:
            yield (
                f"{reads} in {place.vessel}, where the book has no lot: begin one? "
                f"mustwatch record start LOT --vessel {place.vessel!r}"
            )


def _fermenting_at(points: list[tuple[int, float]], now_ms: int) -> float | None:
    """Return the present gravity (20/20) where it falls as a ferment's does, else None."""
    if len(points) < FEWEST or now_ms - points[-1][0] > FRESH_MS or points[-1][0] - points[0][0] < SPAN_MS:
        return None
    quarter = len(points) // 4
    first, last = (median(g for _, g in some) for some in (points[:quarter], points[-quarter:]))
    return last if first - last >= FALLS and last > WATER_LIKE else None
