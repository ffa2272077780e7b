"""Where a chart's axes are labelled: round values, and round hours and days of the clock on the cellar's wall."""

from collections.abc import Iterator
from datetime import date, datetime, time, timedelta
from math import ceil, floor, log10
from typing import NamedTuple

from mustwatch.cellar.instant import DAY_MS, HOUR_MS, MINUTE_MS, to_ms
from mustwatch.cellar.measures import DAYS, MONTHS, Measures

DAY, MONTH, YEAR = 1_440, 43_200, 518_400
STEPS = (1, 2, 5, 10, 15, 30, 60, 180, 360, 720, DAY, 2 * DAY, 7 * DAY, 14 * DAY, MONTH, 3 * MONTH, YEAR)
"""Minutes between the labels of a time axis; from a month on they stand at the first of a month."""
MOST, MOST_NARROW = 9, 5
"""Labels along a desk's picture, and a phone's."""
HOURS_BY_LENGTH = ((30 * HOUR_MS, 3), (4 * DAY_MS, 12))
"""In a picture of up to this length, hours between ticks; a longer one has room for days only."""


class Tick(NamedTuple):
    """A label of the time axis with what stands below it; ``is_fine``: left out where there is little room."""

    at_ms: int
    text: str
    below: str
    is_fine: bool


def round_values(low: float, high: float, most: int) -> tuple[list[float], int]:
    """Return round values between two, at most ``most``, and the decimals they are written with."""
    rough = (high - low) / most
    power = 10.0 ** floor(log10(rough))
    step = next(power * n for n in (1, 2, 5, 10) if power * n >= rough * (1 - 1e-9))
    first, last = ceil(low / step - 1e-9), floor(high / step + 1e-9)
    return [n * step for n in range(first, last + 1)], max(0, -floor(log10(step) + 1e-9))


def time_ticks(from_ms: int, until_ms: int, measures: Measures) -> list[Tick]:
    """Return the labels of a window, in the order of time."""
    minutes = (until_ms - from_ms) / MINUTE_MS
    step = next((s for s in STEPS if minutes / s <= MOST), STEPS[-1])
    instants = sorted(
        {at for at in _instants(from_ms, until_ms, step, measures) if from_ms <= at <= until_ms}
    )
    is_crowded = len(instants) > MOST_NARROW
    midnight = next((i for i, at in enumerate(instants) if measures.local(at).time() == time.min), 0)
    ticks = []
    for position, at_ms in enumerate(instants):
        is_fine = is_crowded and (position - midnight) % 2 == 1
        ticks.append(Tick(at_ms, *_label(measures.local(at_ms), step, is_first=not position), is_fine))
    return ticks


def day_ticks(from_ms: int, until_ms: int, measures: Measures, most: int = 6) -> Iterator[tuple[int, str]]:
    """Yield every midnight of some days with its day, ``most`` of them named, and hours where there is room.

    What is not named has an empty label.
    """
    length_ms = until_ms - from_ms
    every = max(1, ceil(length_ms / DAY_MS / most))
    step = next((hours for longest_ms, hours in HOURS_BY_LENGTH if length_ms <= longest_ms), 24)
    for at_ms in _instants(from_ms, until_ms, step * 60, measures):
        local = measures.local(at_ms)
        if from_ms <= at_ms < until_ms:
            day = f"{DAYS[local.weekday()]} {local.day}"
            name = day if not local.hour else "noon" if step == 12 else f"{local.hour}:00"
            yield at_ms, name if local.toordinal() % every == 0 else ""


def _label(local: datetime, step: int, *, is_first: bool) -> tuple[str, str]:
    day = f"{local.day} {MONTHS[local.month - 1]}"
    if step < DAY:
        return f"{local:%H:%M}", day if is_first or local.time() == time.min else ""
    if step < MONTH:
        return day, str(local.year) if is_first else ""
    return MONTHS[local.month - 1], str(local.year) if is_first or local.month == 1 else ""


def _instants(from_ms: int, until_ms: int, step: int, measures: Measures) -> Iterator[int]:
    day, last = measures.local(from_ms).date(), measures.local(until_ms).date()
    while day <= last:
        if step < DAY:
            for minute in range(0, DAY, step):
                wall = datetime.combine(day, time(minute // 60, minute % 60), measures.zone)
                yield to_ms(wall)
        elif _is_labelled(day, step):
            yield to_ms(datetime.combine(day, time.min, measures.zone))
        day += timedelta(days=1)


def _is_labelled(day: date, step: int) -> bool:
    if step < MONTH:
        return day.toordinal() % (step // DAY) == 0
    return day.day == 1 and (day.month - 1) % (step // MONTH) == 0
