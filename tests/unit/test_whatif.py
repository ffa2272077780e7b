"""What would happen at another temperature: the core's answer. Ferments are made up: logistic falls at 20 °C."""

from collections.abc import Callable
from math import exp, pi, sin
from random import Random

import pytest

from mustwatch.cellar.instant import DAY_MS
from mustwatch.cellar.profile import Profile
from mustwatch.watch.estimate import Expected
from mustwatch.watch.gravity_filter import QUICKENING
from mustwatch.watch.lot_watch import LotWatch
from mustwatch.watch.observation import Observation
from mustwatch.watch.slots import SLOT_MS
from mustwatch.watch.whatif import COMES_DAYS, Kept

BEGIN_MS = 1_790_000_100_000 // SLOT_MS * SLOT_MS


def healthy(day: float) -> float:
    """Return a gravity that falls from 1.080 to 0.993, fastest on day 4."""
    return 0.993 + 0.087 / (1.0 + exp(1.6 * (day - 4.0)))


def at(
    day: float,
    gravity: Callable[[float], float] = healthy,
    celsius: Callable[[float], float] = lambda _: 20.0,
) -> LotWatch:
    """Return the watch of a ferment on a day of its life; its float speaks every 10 minutes, with a noise of 0.0015."""
    watch, random = LotWatch("lot", "bucket", Profile(), BEGIN_MS), Random(1)
    for i in range(int(day * 144)):
        at_ms, said = BEGIN_MS + i * 600_000 + 7, gravity(i / 144) + random.gauss(0, 0.0015)
        watch.observe(Observation(at_ms, "float", "bucket", said, None, celsius(i / 144)))
    watch.advance(2**62)
    return watch


def span(expected: Expected) -> float:
    """Return how long an interval is."""
    return (expected.latest_ms - expected.earliest_ms) / DAY_MS


@pytest.mark.parametrize("day", [3.8, 5.9], ids=["in full fall", "in its tail"])
def test_kept_warmer_it_ends_sooner_and_kept_cooler_later(day: float) -> None:
    watch = at(day)
    ends = [watch.what_if(celsius).finish for celsius in (14.0, 17.0, 20.0, 23.0, 26.0)]

    days = [(end.at_ms - watch.estimate().at_ms) / DAY_MS for end in ends if end is not None]
    assert len(days) == 5
    assert days == sorted(days, reverse=True)
    assert days[0] > 1.1 * days[2]
    for end in ends:
        assert end is not None
        assert end.earliest_ms < end.at_ms < end.latest_ms


def test_kept_as_it_is_it_is_the_forecast_itself() -> None:
    watch = at(3.8)

    assert watch.day_c == pytest.approx(20.0, abs=0.05)
    assert watch.what_if(watch.day_c) == watch.what_if()
    rack, forecast = watch.what_if().rack, watch.forecast().rack
    assert rack is not None
    assert forecast is not None
    assert abs(rack.at_ms - forecast.at_ms) < DAY_MS / 12


def test_the_further_it_is_moved_the_less_is_known() -> None:
    watch = at(3.8)
    as_it_is, near, far = (watch.what_if(celsius).finish for celsius in (None, 18.0, 14.0))

    assert as_it_is is not None
    assert near is not None
    assert far is not None
    now_ms = watch.estimate().at_ms
    assert span(as_it_is) < span(near) < span(far)
    assert span(far) / (far.at_ms - now_ms) > span(as_it_is) / (as_it_is.at_ms - now_ms)


def test_an_afternoon_is_not_taken_for_the_days_to_come() -> None:
    """A must that swings four kelvin between day and night is foreseen by its day, not by the hour of asking."""
    for day in (3.25, 3.75):
        watch = at(day, celsius=lambda day: 20.0 + 4.0 * sin(2.0 * pi * day))
        assert watch.temperature_c is not None
        assert abs(watch.temperature_c - 20.0) > 3.0
        assert watch.day_c == pytest.approx(20.0, abs=1.7)


@pytest.mark.parametrize("kelvin", [-8.0, -3.0, 3.0, 8.0])
def test_what_the_coming_to_a_temperature_costs_is_that_of_the_rates_on_the_way(kelvin: float) -> None:
    """Work done at a rate of exp(QUICKENING · warmth), the warmth coming exponentially, stepped through."""
    kept = Kept(20.0, 20.0, 20.0 + kelvin)
    at_once = 5.0
    done, days, step = 0.0, 0.0, 0.001
    while done < at_once * kept.faster:
        done += step * exp(QUICKENING * kelvin * (1.0 - exp(-days / COMES_DAYS)))
        days += step
    instant = BEGIN_MS + round(at_once * DAY_MS)

    arrives = kept.arrive(BEGIN_MS, Expected(instant, instant, instant))

    assert arrives is not None
    assert (arrives.at_ms - BEGIN_MS) / DAY_MS == pytest.approx(days, abs=0.01)
    assert arrives.earliest_ms < arrives.at_ms < arrives.latest_ms


def test_nothing_is_foretold_of_a_must_that_has_not_begun() -> None:
    watch = at(1.0, lambda _: 1.080)

    assert watch.what_if(25.0) == (None, None)
