"""A clock that is set at random, while the daemon comes and goes, and is synchronised in the end."""

import itertools

from hypothesis import given, settings
from hypothesis import strategies as st

from machine_clock import BOOT_MS, DAY_MS, FIFTY_YEARS_MS, HOUR_MS, Machine
from mustwatch.ingest.clock import NOT_BEFORE_MS

errors = st.sampled_from([0, HOUR_MS, -HOUR_MS, DAY_MS, -DAY_MS, -FIFTY_YEARS_MS, 5 * HOUR_MS, -3_000, 1_000])
happenings = st.lists(
    st.one_of(
        st.tuples(st.just("set"), errors),
        st.tuples(st.just("live"), st.integers(1, 20)),
        st.tuples(st.just("restart"), st.just(0)),
    ),
    max_size=15,
)


@settings(max_examples=150, deadline=None)
@given(first_error_ms=errors, happenings=happenings)
def test_what_is_unsure_when_the_time_is_known_ends_in_its_place(
    first_error_ms: int, happenings: list[tuple[str, int]]
) -> None:
    machine = Machine(wall_error_ms=first_error_ms, is_synchronised=False)
    machine.start(BOOT_MS - 2 * DAY_MS)
    machine.live(1)
    for what, value in happenings:
        if what == "set":
            machine.set_clock(value)
        elif what == "live":
            machine.live(value)
        else:
            machine.restart_daemon()
    assert all(int(row[1]) >= NOT_BEFORE_MS for row in machine.stored)
    unsure = [row for row in machine.stored if row[2]]
    stamps = [int(row[1]) for row in unsure]
    assert all(later - earlier > -2_000 for earlier, later in itertools.pairwise(stamps))

    machine.set_clock(0, is_synchronised=True)
    machine.check()

    assert machine.watch.is_sure
    assert machine.unsure() == 0
    # exact to the step below which a clock counts as slewed
    assert all(abs(int(row[1]) - int(row[0])) < 2_000 for row in unsure)
