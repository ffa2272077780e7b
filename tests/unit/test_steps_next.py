"""What comes next for a lot, from the shipped profiles: when, why, with what, and after what."""

from zoneinfo import ZoneInfo

import pytest

from mustwatch.cellar.book import (
    Addition,
    Bottling,
    Entry,
    Measurement,
    Note,
    Racking,
    StageChange,
    Start,
    What,
)
from mustwatch.cellar.facts import Facts, Foreseen
from mustwatch.cellar.guidance import reminders, say_next, say_when
from mustwatch.cellar.history import LotHistory, fold
from mustwatch.cellar.instant import DAY_MS
from mustwatch.cellar.measures import Measures
from mustwatch.cellar.profile import Stage
from mustwatch.cellar.requirements import Case
from mustwatch.cellar.steps import Due, next_steps, stage_now, stages_through
from mustwatch.config.profiles import load_profile, profile_names

BEGAN = 1_790_000_000_000  # 2026-09-21 14:13 UTC, a Monday
AT_HOME = Measures(zone=ZoneInfo("Europe/Vienna"))
DEFAULT, KIT, RED = load_profile("default"), load_profile("kit"), load_profile("red")


def at(day: float) -> int:
    return BEGAN + int(day * DAY_MS)


def lot(*done: tuple[float, What]) -> LotHistory:
    entries = [Entry("0", "lot", BEGAN, BEGAN, Start("bucket", gravity=1.085, litres=23.0))]
    entries += [Entry(f"{day}{what.kind}", "lot", at(day), at(day), what) for day, what in done]
    return fold(entries).lots["lot"]


def seen(day: float, gravity: float = 0.994, **findings: float) -> Facts:
    since = {name.replace("_", "-"): at(d) for name, d in findings.items()}
    return Facts(since, gravity, 0.0005, 0.0, 0.0003, 19.0, at(day), floats=("float-1",))


RACKED = (6.0, Racking("carboy", gravity=1.010))
CHECKED = (14.0, Measurement(0.994, 20.0))


def test_in_primary_the_first_racking_is_next_and_waits_for_rack_due() -> None:
    first, second = next_steps(lot(), DEFAULT, at(2))

    assert first.step.id == "first-racking"
    assert first.due is Due.WAITING
    assert first.waiting_for == "racking is due"
    assert "a clean, sanitised vessel for 23 L, with little headspace" in first.ready
    assert second.step.id == "finish-check"


def test_a_forecast_gives_the_racking_a_date_with_its_interval() -> None:
    facts = Facts(rack=Foreseen(at(6), at(5.5), at(7)))

    step = next_steps(lot(), DEFAULT, at(2), facts)[0]

    assert (step.due, step.due_ms, step.earliest_ms, step.latest_ms) == (Due.LATER, at(6), at(5.5), at(7))
    assert say_when(step, at(2), AT_HOME) == "about Sun 27 Sep (Sun 27 Sep to Mon 28 Sep)"


def test_when_rack_due_opens_the_racking_is_due_now_and_after_a_day_overdue() -> None:
    facts = seen(6, 1.009, rack_due=6)

    assert next_steps(lot(), DEFAULT, at(6.5), facts)[0].due is Due.NOW
    late = next_steps(lot(), DEFAULT, at(8), facts)[0]
    assert late.due is Due.OVERDUE
    assert say_when(late, at(8), AT_HOME) == "since Sun 27 Sep"


def test_after_the_racking_the_check_comes_next_when_finished_opens() -> None:
    first, second = next_steps(lot(RACKED), DEFAULT, at(13), seen(13, finished=12))

    assert (first.step.id, first.due) == ("finish-check", Due.NOW)
    assert (second.step.id, second.due_ms) == ("second-racking", at(26))


def test_the_second_racking_is_told_from_the_forecast_of_the_finish() -> None:
    facts = Facts(finish=Foreseen(at(12), at(11), at(14)))

    second = next_steps(lot(RACKED), DEFAULT, at(8), facts)[1]

    assert (second.due_ms, second.earliest_ms, second.latest_ms) == (at(26), at(25), at(28))


def test_bottling_names_what_must_be_true_first() -> None:
    bottle = next_steps(lot(RACKED, (26, Racking("other"))), DEFAULT, at(80), seen(80))[-1]

    assert bottle.step.id == "bottle"
    assert bottle.due is Due.OVERDUE
    assert bottle.first == ("the ferment has finished", "a hydrometer check agrees that it has finished")
    assert "First: the ferment has finished" in say_next(bottle, at(80), AT_HOME)


def test_nothing_comes_after_bottling() -> None:
    assert next_steps(lot(RACKED, (60, Bottling(28))), DEFAULT, at(61)) == []
    assert reminders(lot(RACKED, (60, Bottling(28))), DEFAULT, at(61)) == []


def test_a_kit_is_degassed_stabilised_fined_and_racked_in_that_order_each_once_the_one_before_is_done() -> (
    None
):
    facts = seen(14, finished=12)
    done: list[tuple[float, What]] = [RACKED]
    order = []
    for day, what in (
        (14.0, Measurement(0.994, 20.0)),
        (14.1, Note("stirred till flat", step="degas")),
        (14.2, Addition("potassium sorbate", 5, "g")),
        (14.3, Addition("finings", 50, "mL")),
        (30.0, Racking("other")),
        (50.0, Bottling(28)),
    ):
        order.append(next_steps(lot(*done), KIT, at(day), facts)[0].step.id)
        done.append((day, what))

    assert order == ["finish-check", "degas", "stabilise", "fine", "second-racking", "bottle"]


def test_a_step_can_be_told_done_by_a_note_that_names_it() -> None:
    tagged = lot(RACKED, CHECKED, (14.1, Note("used a drill", step="degas")))

    assert next_steps(tagged, KIT, at(15), seen(15, finished=12))[0].step.id == "stabilise"


def stage_of(history: LotHistory, day: float, facts: Facts | None = None) -> Stage:
    return stage_now(DEFAULT, Case(history, DEFAULT, facts or Facts(), at(day)))


def test_stages_move_by_entries_and_by_findings() -> None:
    assert stage_of(lot(), 3) is Stage.PRIMARY
    assert stage_of(lot(RACKED), 7) is Stage.SECONDARY
    assert stage_of(lot(RACKED), 13, seen(13, finished=12)) is Stage.CLEARING
    assert stage_of(lot(RACKED, (26, Racking("other"))), 27, seen(27, finished=12)) is Stage.MATURING
    assert stage_of(lot(RACKED, (60, Bottling(28))), 61) is Stage.BOTTLED


def test_a_finished_wine_still_on_its_gross_lees_is_still_in_primary() -> None:
    assert stage_of(lot(), 13, seen(13, finished=12)) is Stage.PRIMARY


def test_what_the_winemaker_says_of_the_stage_holds_until_something_happens() -> None:
    said = lot(RACKED, (13, StageChange(Stage.SECONDARY)))

    assert stage_of(said, 14, seen(14, finished=12)) is Stage.SECONDARY
    assert stage_of(said, 16, seen(16, finished=15)) is Stage.CLEARING


def ids(history: LotHistory, day: float, facts: Facts | None = None) -> list[str | None]:
    return [r.step for r in reminders(history, DEFAULT, at(day), facts or seen(day))]


def test_the_airlock_is_looked_at_weekly_until_somebody_says_it_was() -> None:
    assert "airlock" not in ids(lot(RACKED), 12)
    assert "airlock" in ids(lot(RACKED), 13.1)
    looked = (13.2, Note("topped up", step="airlock"))
    assert "airlock" not in ids(lot(RACKED, looked), 15)
    assert "airlock" in ids(lot(RACKED, looked), 20.3)


def test_bubbling_is_expected_for_ten_days_after_the_first_racking_and_then_no_more_is_said_of_it() -> None:
    assert "expect-bubbling" in ids(lot(RACKED), 6.1)
    assert "expect-bubbling" in ids(lot(RACKED), 15.9, seen(15.9, finished=12))
    assert "expect-bubbling" not in ids(lot(RACKED), 16.1)


def test_it_is_left_alone_while_it_clears() -> None:
    assert "leave-alone" in ids(lot(RACKED), 13, seen(13, finished=12))
    assert "leave-alone" not in ids(lot(RACKED), 27, seen(27, finished=12))


def test_a_reds_cap_is_pushed_under_twice_a_day() -> None:
    def due(day: float, *done: tuple[float, What]) -> bool:
        return "punch-down" in [r.step for r in reminders(lot(*done), RED, at(day), seen(day, 1.06))]

    assert not due(0.5)
    assert due(1.1)
    assert not due(1.4, (1.1, Note("done", step="punch-down")))
    assert due(1.7, (1.1, Note("done", step="punch-down")))


def test_a_lot_without_a_float_is_to_be_dipped_and_one_with_a_float_is_not() -> None:
    by_hand = Facts()

    dip = reminders(lot(), DEFAULT, at(2.5), by_hand)[0]
    assert dip.do == "Dip the hydrometer: mustwatch record measure 'lot' --gravity G --celsius T"
    assert "there is no check yet" in dip.why
    assert reminders(lot((2.4, Measurement(1.06))), DEFAULT, at(2.5), by_hand)[0].step == "see-it-start"
    assert all(r.step is not None for r in reminders(lot(), DEFAULT, at(2.5), seen(2.5, 1.06)))


def test_near_the_end_a_lot_by_hand_is_dipped_again_after_the_settling_time() -> None:
    near = lot(RACKED, (12.0, Measurement(0.996)))

    assert all(r.step is not None for r in reminders(near, DEFAULT, at(13.9)))
    assert reminders(near, DEFAULT, at(14.1))[0].step is None


@pytest.mark.parametrize("name", profile_names())
def test_every_shipped_profile_leads_from_must_to_bottle_when_its_steps_are_done_one_by_one(
    name: str,
) -> None:
    profile = load_profile(name)
    done: list[tuple[float, What]] = []
    vessels = iter(f"v{i}" for i in range(9))
    for day in range(10, 400, 10):
        facts = seen(day, 0.994, rack_due=5, finished=8)
        coming = next_steps(lot(*done), profile, at(day), facts)
        if not coming:
            break
        step = coming[0].step
        ways: dict[str, What] = {
            "rack": Racking(next(vessels)),
            "bottle": Bottling(28),
            "checked": Measurement(0.994),
            "add:stabilise": Addition("sorbate"),
            "add:fine": Addition("finings"),
            "add:nutrient": Addition("yeast nutrient"),
        }
        done.append((day, ways.get(step.done_by or "", Note("done", step=step.id))))

    assert isinstance(done[-1][1], Bottling)
    assert sum(isinstance(what, Racking) for _, what in done) >= 2


def test_the_stages_a_lot_went_through_are_told_with_the_instants_they_began() -> None:
    history = lot(RACKED, (26.0, Racking("other")), (60.0, Bottling(28)), (70.0, Note("opened one")))

    stages = stages_through(history, DEFAULT, [("finished", at(12), None)])

    assert stages == [
        (at(0), Stage.PRIMARY),
        (at(6), Stage.SECONDARY),
        (at(12), Stage.CLEARING),
        (at(26), Stage.MATURING),
        (at(60), Stage.BOTTLED),
    ]


RACKED_AGAIN = (8.0, Racking("carboy-2", gravity=1.006, from_sensors=True))


def test_a_wine_racked_twice_while_it_ferments_is_in_its_secondary_and_not_maturing() -> None:
    """1.006 falling by 0.010 a day is a ferment, however often it was racked."""
    falling = Facts({}, 1.006, 0.0005, -0.010, 0.0003, 19.0, at(8.5), floats=("float-1",))
    twice = lot(RACKED, RACKED_AGAIN)

    assert twice.stage_at(at(8.5)) is Stage.SECONDARY
    for facts in (falling, Facts()):
        assert stage_now(DEFAULT, Case(twice, DEFAULT, facts, at(8.5))) is Stage.SECONDARY
    steps = next_steps(twice, DEFAULT, at(8.5), falling, at_most=9)
    assert "second-racking" in [s.step.id for s in steps]


def test_once_it_has_finished_it_clears_and_the_next_racking_lets_it_mature() -> None:
    done = seen(20, finished=12)
    twice = lot(RACKED, RACKED_AGAIN, CHECKED)
    again = lot(RACKED, RACKED_AGAIN, CHECKED, (28.0, Racking("carboy")))

    assert stage_now(DEFAULT, Case(twice, DEFAULT, done, at(20))) is Stage.CLEARING
    assert stage_now(DEFAULT, Case(again, DEFAULT, seen(29, finished=12), at(29))) is Stage.MATURING
    assert [s for _, s in stages_through(again, DEFAULT, [("finished", at(12), None)])] == [
        Stage.PRIMARY,
        Stage.SECONDARY,
        Stage.CLEARING,
        Stage.MATURING,
    ]


def test_a_maturing_wine_that_ferments_again_is_no_longer_called_maturing() -> None:
    again = seen(60, 0.999, finished=12, refermenting=59)
    old = lot(RACKED, CHECKED, (28.0, Racking("carboy")))

    assert stage_now(DEFAULT, Case(old, DEFAULT, seen(60, finished=12), at(60))) is Stage.MATURING
    assert stage_now(DEFAULT, Case(old, DEFAULT, again, at(60))) is Stage.SECONDARY
    said = lot(RACKED, CHECKED, (28.0, Racking("carboy")), (59.5, StageChange(Stage.MATURING)))
    assert stage_now(DEFAULT, Case(said, DEFAULT, again, at(60))) is Stage.MATURING


def test_a_wine_whose_gravity_nobody_knows_any_more_goes_by_its_rackings() -> None:
    unread = lot((6, Racking("carboy")), (40, Racking("carboy-2")), (90, Racking("carboy")))

    assert stage_now(DEFAULT, Case(unread, DEFAULT, Facts(), at(91))) is Stage.MATURING
