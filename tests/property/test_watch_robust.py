"""Whatever comes in, the watch goes on: no exception, finite numbers, standard errors that are numbers."""

import json
import math

from hypothesis import given, settings
from hypothesis import strategies as st

from mustwatch.cellar.book import (
    Addition,
    Bottling,
    Entry,
    Measurement,
    Racking,
    Reanchor,
    Stage,
    StageChange,
    Start,
    What,
)
from mustwatch.cellar.profile import Profile
from mustwatch.watch.lot_watch import LotWatch, WatchStep
from mustwatch.watch.observation import Observation
from mustwatch.watch.phases import Now
from mustwatch.watch.slots import SLOT_MS
from mustwatch.watch.tail import Tail

BEGIN_MS = 1_790_000_100_000 // SLOT_MS * SLOT_MS
DAY_MS = 86_400_000

gravities = st.floats(0.95, 1.2)
temperatures = st.floats(-20.0, 60.0)
whats: st.SearchStrategy[What] = st.one_of(
    st.builds(
        Start, vessel=st.just("bucket"), gravity=st.none() | gravities, litres=st.none() | st.floats(0.1, 1e4)
    ),
    st.builds(Measurement, gravity=st.none() | gravities, temperature_c=st.none() | temperatures),
    st.builds(Racking, to_vessel=st.sampled_from(["carboy", "barrel"]), gravity=st.none() | gravities),
    st.builds(
        Addition,
        what=st.just("something"),
        sugar_g=st.none() | st.floats(0.0, 1e5),
        litres=st.none() | st.floats(0.0, 1e3),
    ),
    st.builds(Reanchor, sensor=st.sampled_from(["one", "two", "none"]), offset=st.floats(-0.05, 0.05)),
    st.builds(StageChange, stage=st.sampled_from(list(Stage))),
    st.builds(Bottling, bottles=st.integers(1, 100)),
)
gaps_ms = st.one_of(st.integers(0, 3_600_000), st.integers(0, 3 * DAY_MS), st.integers(0, 400 * DAY_MS))
happenings = st.lists(
    st.tuples(
        gaps_ms,
        st.one_of(
            whats,
            st.tuples(
                st.sampled_from(["one", "two", "probe"]),
                st.none() | gravities,
                st.none() | st.floats(1e-4, 0.05),
                st.none() | temperatures,
            ),
        ),
    ),
    max_size=60,
)


Happening = tuple[int, What | tuple[str, float | None, float | None, float | None]]
"""Milliseconds since the one before, and an entry or a reading: sensor, gravity, its error, °C."""


def events(
    found: list[Happening],
) -> list[Observation | Entry]:
    """Return the happenings as events in time order."""
    at_ms = BEGIN_MS
    made: list[Observation | Entry] = []
    for i, (gap_ms, what) in enumerate(found):
        at_ms += gap_ms
        if isinstance(what, tuple):
            sensor, gravity, sd, celsius = what
            made.append(
                Observation(at_ms, sensor, "bucket", None if sensor == "probe" else gravity, sd, celsius)
            )
        else:
            made.append(Entry(f"e{i}", "lot", at_ms, at_ms, what))
    return made


@given(happenings)
@settings(max_examples=150, deadline=None)
def test_anything_possible_gives_finite_estimates(found: list[Happening]) -> None:
    watch = LotWatch("lot", "bucket", Profile(), BEGIN_MS)
    steps: list[WatchStep] = []
    for event in events(found):
        steps += watch.observe(event) if isinstance(event, Observation) else watch.enter(event)
    steps += watch.advance(2**62)

    for step in steps:
        for value in step.estimate[1:]:
            assert value is None or (isinstance(value, float | int) and math.isfinite(value))
        assert step.estimate.gravity_sd is None or step.estimate.gravity_sd > 0.0
        assert step.estimate.rate_sd is None or step.estimate.rate_sd > 0.0
        for expected in step.forecast:
            assert expected is None or expected.earliest_ms <= expected.at_ms <= expected.latest_ms
        for told in step.transitions:
            json.dumps(dict(told.evidence), allow_nan=False)


@given(st.floats(0.0005, 0.003), st.floats(-0.01, 0.003), st.integers(1, 24))
@settings(max_examples=30, deadline=None)
def test_a_tail_can_be_asked_for_years(noise: float, rate: float, hours: int) -> None:
    tail = Tail()
    now = Now(0.995, 0.0007, rate, 0.0005)
    tail.begin(BEGIN_MS, 0.993, 0.003, now)
    for _ in range(1500):
        tail.follow(hours / 24.0, 0.995, noise * noise, Now(0.995, 0.0007, 0.0, 0.0003))
    left, moving = tail.judge(0.002, 0.0008)

    assert 0.0 <= left <= 1.0
    assert 0.0 <= moving <= 1.0
    assert tail.days_until(0.0008) is not None
