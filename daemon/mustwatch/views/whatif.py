"""What would happen if a must were kept at another temperature from now on; the same for command, page and API."""

from typing import Any

from mustwatch.cellar.instant import iso
from mustwatch.cellar.measures import Measures
from mustwatch.config.plan import measures_of, plan_of
from mustwatch.config.settings import Settings
from mustwatch.store.store import Store
from mustwatch.views.cellar import cellar_view
from mustwatch.views.overview import expected
from mustwatch.watch.curve import Forecast
from mustwatch.watch.lot_watch import LotWatch, SnapshotOutdatedError
from mustwatch.watch.whatif import CAUTION, COLDEST_C, WARMEST_C


class NoForecastError(ValueError):
    """Nothing can be foretold of the lot; the text says why and what to do."""


class BeyondKnownError(NoForecastError):
    """Nothing can be foretold at the temperature asked about."""


def whatif_view(
    store: Store,
    settings: Settings,
    lot: str,
    now_ms: int,
    celsius: float | None = None,
    by_ms: int | None = None,
) -> dict[str, Any] | None:
    """Return when a lot is to be racked and ends, by the temperature it is kept at; None if it is not in the book.

    Args:
        store, settings: of the cellar. lot: which. now_ms: the present.
        celsius: a temperature to ask about besides the courses, °C.
        by_ms: when it has to have ended; each course says how surely it has.

    Raises:
        NoForecastError: nothing can be foretold of it; BeyondKnownError: not at that temperature.
    """
    measures = measures_of(settings)
    if celsius is not None:
        _require_known(celsius, measures)
    history = store.book.history().lots.get(lot)
    if history is None:
        return None
    row = next((r for r in cellar_view(store, settings, now_ms)["vessels"] if r["lot"] == lot), None)
    if row is None:
        raise NoForecastError(f"lot {lot} stands in no vessel any more: there is nothing to foretell")
    plan = plan_of(settings)
    profile = plan.profile_for(history)
    checkpoint = store.watching.checkpoint_before(lot, now_ms)
    try:
        watch = (
            None
            if checkpoint is None
            else LotWatch.restore(checkpoint.snapshot, profile, plan.is_night, history.entries)
        )
    except SnapshotOutdatedError:
        raise NoForecastError(f"lot {lot} is being evaluated again: ask once that is done") from None
    day_c = None if watch is None else watch.day_c
    as_it_is = Forecast() if watch is None else watch.what_if()
    if watch is None or day_c is None or as_it_is.finish is None:
        raise NoForecastError(
            f"nothing can be foretold of lot {lot} now: before it clearly ferments, without its temperature, "
            "or once it hardly falls any more, the readings carry no forecast"
        )
    _require_known(day_c, measures, "the must is at")

    def course(at_c: float, forecast: Forecast) -> dict[str, Any]:
        return {
            "celsius": round(at_c, 2),
            "rack_at": expected(forecast.rack),
            "finish_at": expected(forecast.finish),
            "ends_in_time": None if by_ms is None else _in_time(forecast, by_ms),
        }

    courses = [course(at_c, watch.what_if(at_c)) for at_c in _degrees(row["band"], measures)]
    return {
        "lot": lot,
        "at": iso(now_ms),
        "observed_at": iso(watch.estimate().at_ms),
        "gravity": row["gravity"],
        "racking_gravity": profile.racking_gravity,
        "by": iso(by_ms),
        "coldest": COLDEST_C,
        "warmest": WARMEST_C,
        "as_it_is": course(day_c, as_it_is),
        "asked": None if celsius is None else course(celsius, watch.what_if(celsius)),
        "courses": courses,
        "caution": CAUTION,
    }


def _require_known(celsius: float, measures: Measures, what: str = "asked about") -> None:
    """Raise unless the law that warmth quickens a ferment is known to hold there."""
    if not COLDEST_C <= celsius <= WARMEST_C:
        low, high = measures.temperature(COLDEST_C, 0), measures.temperature(WARMEST_C, 0)
        raise BeyondKnownError(
            f"{what} {measures.temperature(celsius)}: expected {low} to {high}. Colder, yeast may fall asleep; "
            "warmer, it may die; nobody can say when"
        )


def _degrees(band: dict[str, float], measures: Measures) -> list[float]:
    """Return the whole degrees of a band in the cellar's unit, every second one of °F, in °C."""
    first = measures.temperature_number(max(band["low"], COLDEST_C))
    last = measures.temperature_number(min(band["high"], WARMEST_C))
    step = 2 if measures.temperature_unit == "F" else 1
    whole = range(int(-(-first // step)) * step, int(last) + 1, step)
    return [measures.celsius(number) for number in whole]


def _in_time(forecast: Forecast, by_ms: int) -> str | None:
    """Return how surely it ends by an instant, by the 90 % interval."""
    finish = forecast.finish
    if finish is None:
        return None
    if finish.latest_ms <= by_ms:
        return "surely"
    if finish.at_ms <= by_ms:
        return "likely"
    return "hardly" if finish.earliest_ms > by_ms else "perhaps"
