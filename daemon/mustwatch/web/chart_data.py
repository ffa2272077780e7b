"""A lot's curves as its page's chart wants them: the cellar's units, the clock on its wall, few bytes.

The chart's library knows no time zones: it is given the wall clock's time as if it were UTC. In the night on which the
clocks are set back an hour is drawn twice over itself; every label is then still what the clock showed.
"""

from bisect import bisect_right
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Any

from mustwatch.cellar.instant import DAY_MS, HOUR_MS, from_ms, to_ms
from mustwatch.web.words import Words

BAND_SDS = 2.0
"""The band around the estimate is so many standard errors to either side: about 95 %."""


class WallClock:
    """Tells the wall clock's time of instants in a window, quickly."""

    def __init__(self, zone: tzinfo, from_instant_ms: int, until_ms: int) -> None:
        """Look up the zone's changes in a window (a day more on each side)."""
        self._zone = zone
        self._changes: list[int] = []
        self._offsets = [self._offset(from_instant_ms - DAY_MS)]
        day_ms = from_instant_ms - DAY_MS
        while day_ms < until_ms + DAY_MS:
            if self._offset(day_ms + DAY_MS) != self._offsets[-1]:
                change_ms = next(
                    at
                    for at in range(day_ms - day_ms % HOUR_MS, day_ms + 2 * DAY_MS, HOUR_MS)
                    if at > day_ms and self._offset(at) != self._offsets[-1]
                )
                self._changes.append(change_ms)
                self._offsets.append(self._offset(change_ms))
            day_ms += DAY_MS

    def _offset(self, at_ms: int) -> int:
        offset = from_ms(at_ms).astimezone(self._zone).utcoffset() or timedelta(0)
        return offset // timedelta(milliseconds=1)

    def wall_ms(self, at_ms: int) -> int:
        """Return what the wall clock shows at an instant, as milliseconds since the epoch as if it were UTC."""
        return at_ms + self._offsets[bisect_right(self._changes, at_ms)]


def instant_of_wall_ms(wall_ms: int, zone: tzinfo) -> int:
    """Return the instant at which the wall clock shows a time; of autumn's double hour the first."""
    shown = datetime.fromtimestamp(wall_ms / 1000, UTC)
    return to_ms(shown.replace(tzinfo=zone).astimezone(UTC))


def _steps(instants: Sequence[int | None]) -> list[int | None]:
    """Return instants as whole seconds, each as the difference from the one before; None stays."""
    steps: list[int | None] = []
    last = 0
    for at in instants:
        if at is None:
            steps.append(None)
        else:
            second = round(at / 1000)
            steps.append(second - last)
            last = second
    return steps


def chart_data(curves: dict[str, Any], words: Words) -> dict[str, Any]:
    """Return the chart's data; every ``at`` is the wall clock's seconds, as differences from the one before."""
    forecast = curves["forecast"]
    latest_ms = max(forecast["latest"]) if forecast is not None else curves["until_ms"]
    clock = WallClock(words.zone, curves["from_ms"] - 45 * DAY_MS, max(curves["until_ms"], latest_ms))

    def at(instants: Sequence[int | None]) -> list[int | None]:
        return _steps([None if ms is None else clock.wall_ms(ms) for ms in instants])

    def curve(part: dict[str, Any], convert: Callable[[float | None], float | None]) -> dict[str, Any]:
        return {"at": at(part["at"]), "y": [convert(value) for value in part["values"]]}

    estimate = curves["estimate"]
    spreads = [
        (g, (sd or 0.0) * BAND_SDS) for g, sd in zip(estimate["gravity"], estimate["gravity_sd"], strict=True)
    ]
    gravity = words.gravity_number
    return {
        "from": clock.wall_ms(curves["from_ms"]),
        "until": clock.wall_ms(curves["until_ms"]),
        "estimate": {
            "at": at(estimate["at"]),
            "y": [gravity(g) for g, _ in spreads],
            "low": [gravity(round(g - sd, 5)) for g, sd in spreads],
            "high": [gravity(round(g + sd, 5)) for g, sd in spreads],
        },
        "celsius": curve(curves["celsius"], words.temperature_number),
        "sensors": [
            {
                "sensor": one["sensor"],
                "gravity": curve(one["gravity"], gravity),
                "celsius": curve(one["celsius"], words.temperature_number),
            }
            for one in curves["sensors"]
        ],
        "checks": curve(curves["checks"], gravity),
        "entries": [{**e, "at": clock.wall_ms(e["at_ms"])} for e in curves["entries"]],
        "stages": [_span(one, clock) | {"stage": one["stage"]} for one in curves["stages"]],
        "bands": [
            _span(one, clock)
            | {"low": words.temperature_number(one["low"]), "high": words.temperature_number(one["high"])}
            for one in curves["bands"]
        ],
        "racking": gravity(curves["racking_gravity"]),
        "dry": gravity(curves["dry_gravity"]),
        "forecast": None
        if forecast is None
        else {
            "y": [gravity(g) for g in forecast["gravity"]],
            **{name: at(forecast[name]) for name in ("expected", "earliest", "latest")},
        },
        "units": {
            "gravity": "" if words.manners.gravity_unit == "SG" else " °Bx",
            "gravity_digits": 3 if words.manners.gravity_unit == "SG" else 1,
            "temperature": f"°{words.manners.temperature_unit}",
        },
    }


def _span(one: dict[str, Any], clock: WallClock) -> dict[str, int]:
    return {"from": clock.wall_ms(one["from_ms"]), "until": clock.wall_ms(one["until_ms"])}
