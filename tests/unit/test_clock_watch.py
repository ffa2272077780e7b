"""The clock watch: no clock of its own, boots in the past, jumps when time arrives; and readings put right after.

A small machine is simulated: true time runs, the wall clock is off by what the scenario says, monotonic time counts
from the boot. Nothing sleeps.
"""

from machine_clock import BOOT_MS, DAY_MS, FIFTY_YEARS_MS, HOUR_MS, Machine
from mustwatch.ingest.anchor_json import anchor_from_json
from mustwatch.ingest.arrival import Arrival
from mustwatch.ingest.clock import LAPSE_S, NOT_BEFORE_MS, ClockState


def test_a_synchronised_clock_is_sure_and_stamps_are_left_alone() -> None:
    machine = Machine(is_synchronised=True)
    assert machine.start() is ClockState.SURE
    machine.live(10)
    assert machine.errors_ms() == {0}
    assert machine.unsure() == 0
    assert machine.steps == []


def test_where_the_system_cannot_say_a_plausible_clock_is_believed() -> None:
    assert Machine(is_synchronised=None).start(BOOT_MS - 1) is ClockState.SURE


def test_a_clock_never_synchronised_is_unconfirmed_until_it_is() -> None:
    machine = Machine(is_synchronised=False)
    assert machine.start() is ClockState.UNCONFIRMED
    machine.live(10)
    assert machine.unsure() == 10
    machine.set_clock(0, is_synchronised=True)
    assert machine.check() is ClockState.SURE
    assert machine.unsure() == 0
    assert machine.errors_ms() == {0}


def test_a_pi_that_boots_in_1970_stamps_from_the_last_thing_stored_and_is_put_right() -> None:
    machine = Machine(wall_error_ms=-BOOT_MS)
    last_received_ms = machine.true_ms - 3 * HOUR_MS  # the power was away for three hours
    assert machine.start(last_received_ms) is ClockState.BEHIND
    machine.live(30)
    guesses = [int(row[1]) for row in machine.stored]
    assert min(guesses) >= last_received_ms
    assert guesses == sorted(guesses)
    assert guesses[-1] - guesses[0] == 29 * 60_000
    machine.set_clock(0, is_synchronised=True)
    assert machine.check() is ClockState.SURE
    assert machine.errors_ms() == {0}
    machine.live(5)
    assert machine.errors_ms() == {0}
    assert machine.unsure() == 0
    assert machine.steps == [BOOT_MS]


def test_a_pi_whose_clock_was_saved_before_the_power_cut_is_behind_and_put_right() -> None:
    machine = Machine(wall_error_ms=-10 * HOUR_MS - 30 * 60_000)
    assert machine.start(machine.true_ms - 10 * HOUR_MS) is ClockState.BEHIND
    machine.live(90)  # the wall clock passes the last reading's time meanwhile: it is no less wrong
    assert machine.watch.is_wrong
    machine.set_clock(0, is_synchronised=True)
    machine.check()
    assert machine.errors_ms() == {0}


def test_an_empty_store_leaves_only_the_programs_own_age_to_judge_by() -> None:
    machine = Machine(wall_error_ms=-BOOT_MS)
    assert machine.start() is ClockState.BEHIND
    machine.live(3)
    assert all(int(row[1]) >= NOT_BEFORE_MS for row in machine.stored)
    machine.set_clock(0)  # by hand: nothing confirms it, but what was stamped behind is put right
    assert machine.check() is ClockState.UNCONFIRMED
    assert machine.errors_ms() == {0}


def test_a_plausible_clock_that_turns_out_ten_hours_late_is_put_right_when_the_network_comes() -> None:
    # shut down in good order three days ago, so that nothing stored is later than the clock
    machine = Machine(wall_error_ms=-3 * DAY_MS)
    assert machine.start(machine.true_ms - 3 * DAY_MS - HOUR_MS) is ClockState.UNCONFIRMED
    machine.live(20)
    machine.set_clock(0, is_synchronised=True)
    machine.check()
    assert machine.errors_ms() == {0}
    assert machine.unsure() == 0


def test_a_step_of_minus_fifty_years_and_back_moves_nothing() -> None:
    for synchronised in (True, False, None):
        machine = Machine(is_synchronised=synchronised)
        machine.start(BOOT_MS)
        machine.live(10)
        machine.set_clock(-FIFTY_YEARS_MS, is_synchronised=False)
        machine.live(10)
        assert machine.watch.is_wrong
        machine.set_clock(0, is_synchronised=True)
        machine.live(10)
        assert machine.errors_ms() == {0}
        assert machine.unsure() == 0
        assert len(machine.steps) == 2


def test_an_hour_or_a_day_out_and_back_again_is_put_right_without_any_time_server() -> None:
    for excursion_ms in (DAY_MS, -DAY_MS, HOUR_MS, -HOUR_MS):
        for synchronised in (False, None):
            machine = Machine(is_synchronised=synchronised)
            machine.start(BOOT_MS - DAY_MS)
            machine.live(200)
            machine.set_clock(excursion_ms)
            machine.live(30)
            machine.set_clock(0)
            machine.live(10)
            assert machine.errors_ms() == {0}, (excursion_ms, synchronised)
            assert machine.steps == [excursion_ms, -excursion_ms]


def test_a_day_forward_that_is_confirmed_moves_all_that_was_unsure() -> None:
    machine = Machine(wall_error_ms=-DAY_MS)
    machine.start(BOOT_MS - 5 * DAY_MS)
    machine.live(10)
    machine.set_clock(-DAY_MS // 2)  # by hand, half right
    machine.live(10)
    machine.set_clock(0, is_synchronised=True)
    machine.live(10)
    assert machine.errors_ms() == {0}
    assert machine.unsure() == 0


def test_a_clock_that_was_synchronised_stays_sure_when_the_network_is_away() -> None:
    machine = Machine(is_synchronised=True)
    machine.start()
    machine.live(3)
    machine.set_clock(0, is_synchronised=False)  # the kernel says so after some hours without a time server
    assert machine.check() is ClockState.SURE
    machine.set_clock(5_000)
    assert machine.check() is ClockState.UNCONFIRMED


def test_a_doubt_lapses_after_a_day_where_the_system_cannot_say() -> None:
    machine = Machine(is_synchronised=None)
    machine.start()
    machine.set_clock(HOUR_MS)
    assert machine.check() is ClockState.UNCONFIRMED
    machine.live(5)
    machine.mono_s += LAPSE_S
    assert machine.check() is ClockState.SURE


def test_a_clock_set_back_by_hand_is_doubted_for_a_day_and_then_believed() -> None:
    # no time server: somebody put summer time right
    machine = Machine(wall_error_ms=HOUR_MS, is_synchronised=False)
    machine.start(BOOT_MS - DAY_MS)
    machine.live(3)
    machine.set_clock(0)
    machine.live(5)
    assert machine.watch.is_wrong
    machine.restart_daemon()
    machine.live(5)
    assert machine.watch.is_wrong
    machine.mono_s += LAPSE_S
    assert machine.check() is ClockState.UNCONFIRMED
    machine.live(5)
    assert [int(row[1]) - int(row[0]) for row in machine.stored] == [HOUR_MS] * 3 + [0] * 15
    machine.set_clock(-HOUR_MS)  # and what is behind from there on is behind that
    machine.live(1)
    assert machine.watch.is_wrong


def test_slewing_is_no_step() -> None:
    machine = Machine(is_synchronised=True)
    machine.start()
    for _ in range(100):
        machine.wall_error_ms += 15
        machine.live(1)
    assert machine.steps == []
    assert max(machine.errors_ms()) == 1500
    machine.wall_error_ms += 600
    machine.live(1)
    assert machine.steps == [2100]


def test_stamps_survive_a_restart_of_the_daemon_before_the_time_is_known() -> None:
    machine = Machine(wall_error_ms=-BOOT_MS)
    machine.start(machine.true_ms - HOUR_MS)
    machine.live(10)
    assert machine.restart_daemon() is ClockState.BEHIND
    machine.live(10)
    machine.set_clock(0, is_synchronised=True)
    machine.check()
    assert machine.errors_ms() == {0}
    assert machine.unsure() == 0


def test_a_clock_set_while_the_daemon_was_down_is_noticed_at_its_start() -> None:
    machine = Machine(wall_error_ms=-BOOT_MS)
    machine.start(machine.true_ms - HOUR_MS)
    machine.live(10)
    machine.set_clock(0, is_synchronised=True)
    machine.mono_s += 60
    assert machine.restart_daemon() is ClockState.SURE
    assert machine.errors_ms() == {0}
    assert machine.steps == [BOOT_MS]


def test_after_another_boot_nothing_is_moved_that_nothing_is_known_of() -> None:
    machine = Machine(wall_error_ms=-BOOT_MS)
    machine.start(machine.true_ms - 2 * HOUR_MS)
    machine.live(10)
    before = [list(row) for row in machine.stored]
    anchor = machine.watch.anchor()
    machine.boot_id, machine.mono_s, machine.booted_ms = "boot-2", 20.0, machine.true_ms + DAY_MS
    machine.start(max(int(row[1]) for row in machine.stored), anchor)
    machine.live(10)
    machine.set_clock(0, is_synchronised=True)
    machine.check()
    assert machine.stored[:10] == before
    assert {int(row[1]) - int(row[0]) for row in machine.stored[10:]} == {0}


def test_a_message_received_before_the_step_and_taken_after_it_is_in_the_present_frame() -> None:
    machine = Machine(wall_error_ms=-BOOT_MS)
    machine.start(machine.true_ms - HOUR_MS)
    waiting = Arrival("t", b"", machine.true_ms + machine.wall_error_ms, machine.mono_s)
    true_ms = machine.true_ms
    machine.mono_s += 30
    machine.set_clock(0, is_synchronised=True)
    machine.check()
    assert machine.watch.settled(waiting).received_ms == true_ms


def test_time_as_stamped_never_runs_backwards_while_it_is_unsure() -> None:
    machine = Machine(is_synchronised=False)
    machine.start(BOOT_MS - DAY_MS)
    for error_ms in (0, HOUR_MS, -HOUR_MS, 5 * HOUR_MS, -FIFTY_YEARS_MS, 2 * HOUR_MS):
        machine.set_clock(error_ms)
        machine.live(5)
    unsure = [int(row[1]) for row in machine.stored if row[2]]
    assert unsure == sorted(unsure)


def test_now_is_the_best_guess() -> None:
    machine = Machine(wall_error_ms=-BOOT_MS)
    last_ms = machine.true_ms - HOUR_MS
    machine.start(last_ms)
    assert machine.watch.now_ms() == last_ms
    machine.mono_s += 60
    assert machine.watch.now_ms() == last_ms + 60_000
    machine.set_clock(0, is_synchronised=True)
    machine.check()
    assert machine.watch.now_ms() == machine.true_ms


def test_a_clock_set_again_and_again_costs_no_memory() -> None:
    machine = Machine(is_synchronised=False)
    machine.start(BOOT_MS - DAY_MS)
    for i in range(1000):
        machine.set_clock(i * 10_000)
        machine.live(1)
    anchor = machine.watch.anchor()
    assert len(anchor.trail) <= 8
    assert len(anchor.stretches) <= 64


def test_the_anchor_changes_only_when_something_happened() -> None:
    machine = Machine(is_synchronised=False)
    machine.start()
    machine.live(1)
    anchor = machine.watch.anchor()
    machine.live(50)
    assert machine.watch.anchor() == anchor
    machine.set_clock(HOUR_MS)
    machine.live(1)
    assert machine.watch.anchor() != anchor


def test_an_anchor_that_cannot_be_read_is_no_anchor() -> None:
    assert anchor_from_json(None) is None
    for text in ("", "{", "[]", "{}", '{"boot_id":"x"}', '{"boot_id":"x","state":"odd"}'):
        assert anchor_from_json(text) is None
