"""The filter's arithmetic written out for one float is the arithmetic for any number of floats, to the last bit."""

from collections.abc import Callable
from unittest.mock import patch

from hypothesis import given
from hypothesis import strategies as st

from mustwatch.watch import gravity_filter
from mustwatch.watch.gravity_filter import GravityFilter
from mustwatch.watch.memory import dumped

Deed = Callable[[GravityFilter], object]

days = st.one_of(st.just(1 / 96), st.floats(1e-4, 19.0), st.just(30.0))
warmer = st.floats(-15.0, 15.0)


def _shown(warmer_k: float, apart: float, noise_sd: float) -> Deed:
    def deed(kept: GravityFilter) -> None:
        mean, _ = kept.expect(3, warmer_k)
        kept.update_float(3, warmer_k, kept.x[0] + apart - mean, noise_sd * noise_sd)

    return deed


def _known(has_begun: bool, end: float, whole: float) -> Deed:
    def deed(kept: GravityFilter) -> None:
        kept.has_begun, kept.end, kept.whole = has_begun, end, whole

    return deed


deeds: st.SearchStrategy[Deed] = st.one_of(
    st.builds(lambda dt, k: lambda kept: kept.predict(dt, k), days, st.floats(-3.0, 3.0)),
    st.builds(_shown, warmer, st.floats(-0.01, 0.01), st.floats(0.0002, 0.006)),
    st.builds(lambda g: lambda kept: kept.update_gravity(g, 1e-6), st.floats(0.98, 1.12)),
    st.builds(lambda v: lambda kept: kept.allow_drift(3, v * v), st.floats(0.0, 0.01)),
    st.builds(_known, st.booleans(), st.floats(0.985, 1.0), st.floats(0.0, 0.12)),
)


@given(st.floats(0.99, 1.12), st.lists(deeds, min_size=1, max_size=40))
def test_a_lot_with_one_float_is_estimated_as_the_loops_do_to_the_last_bit(
    gravity: float, done: list[Deed]
) -> None:
    written_out, looped = GravityFilter(gravity, 0.003), GravityFilter(gravity, 0.003)
    for kept in (written_out, looped):
        kept.add_float("float")
    for deed in done:
        deed(written_out)
        with patch.object(gravity_filter, "ORDER", 0):
            deed(looped)
    assert dumped(written_out) == dumped(looped)
