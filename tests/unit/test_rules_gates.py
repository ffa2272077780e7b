"""The gates: bottling, stabilising and sweetening wait for a wine that has finished and was checked."""

from collections.abc import Mapping

import pytest

from mustwatch.cellar.book import Addition, Bottling, Entry, Measurement, StageChange, Start, What
from mustwatch.cellar.facts import Facts
from mustwatch.cellar.history import fold
from mustwatch.cellar.instant import DAY_MS
from mustwatch.cellar.profile import Profile, Stage
from mustwatch.cellar.refusal import Reason, Refusal, RefusalKind
from mustwatch.cellar.rules import Cellar, refusals
from mustwatch.cellar.vessel import Vessel, VesselKind

BEGAN = 1_790_000_000_000
VESSELS = {"carboy": Vessel("carboy", VesselKind.CARBOY, 23.0)}
SORBATE = Addition("potassium sorbate", 5, "g", why="as the sheet says")
SULFITE = Addition("potassium metabisulfite", 1.2, "g")
SUGAR = Addition("sugar", 500, "g", sugar_g=500.0)
SWEETEN = Addition("sugar", 500, "g", why="to sweeten", sugar_g=500.0)


def at(day: float) -> int:
    return BEGAN + int(day * DAY_MS)


def written(day: float, what: What, despite: str | None = None) -> Entry:
    return Entry(f"{day}-{what.kind}", "lot", at(day), at(day), what, despite=despite)


def seen(gravity: float, *, rate: float = 0.0, day: float = 20.0, **findings: float) -> Facts:
    """What a float tells on a day; findings by name (``_`` for ``-``) with the day since when they hold."""
    since: Mapping[str, int] = {name.replace("_", "-"): at(d) for name, d in findings.items()}
    return Facts(since, gravity, 0.0005, rate, 0.0003, 19.0, at(day), floats=("float-1",))


def reasons(
    what: What, *book: Entry, day: float = 20.0, facts: Facts | None = None, profile: Profile | None = None
) -> list[Reason]:
    history = fold([written(0, Start("carboy", gravity=1.085, litres=22.0)), *book])
    cellar = Cellar(history, VESSELS, profile or Profile(), facts or Facts())
    found = refusals(written(day, what), cellar)
    assert all(r.kind is RefusalKind.GATE and r.exit_code == 1 and r.can_be_overruled for r in found)
    return [r.reason for r in found]


FERMENTING = seen(1.030, rate=-0.012)
STUCK = seen(1.018, stuck=15)
DONE = seen(0.994, finished=15)
CHECKED = written(18, Measurement(0.995, 20.0))


def test_a_finished_wine_that_the_hydrometer_confirms_may_be_bottled_stabilised_and_sweetened_after_that() -> (
    None
):
    assert reasons(Bottling(28), CHECKED, facts=DONE) == []
    assert reasons(SORBATE, CHECKED, facts=DONE) == []
    assert reasons(SWEETEN, CHECKED, written(19, SORBATE), facts=DONE) == []


@pytest.mark.parametrize("facts", [Facts(), FERMENTING, STUCK], ids=["unknown", "fermenting", "stuck"])
@pytest.mark.parametrize(
    "what", [Bottling(28), SORBATE, SULFITE, SWEETEN, StageChange(Stage.BOTTLED)], ids=str
)
def test_before_it_has_finished_everything_that_seals_a_wine_is_refused(what: What, facts: Facts) -> None:
    assert Reason.NOT_FINISHED in reasons(what, facts=facts)


def test_a_stuck_wine_is_called_stuck_and_the_danger_is_named_with_what_to_do() -> None:
    history = fold([written(0, Start("carboy", gravity=1.085, litres=22.0))])

    lines = [r.line for r in refusals(written(20, Bottling(28)), Cellar(history, VESSELS, facts=STUCK))]

    assert "it is stuck (it is at 1.018)" in lines[0]
    assert "bottles burst" in lines[0]
    assert "get it going again" in lines[0]
    assert any("record measure 'lot' --gravity G --celsius T" in line for line in lines)


def test_without_a_hydrometer_check_the_floats_word_is_not_enough() -> None:
    assert reasons(Bottling(28), facts=DONE) == [Reason.NO_AGREEING_CHECK]


def test_a_check_that_disagrees_with_the_float_confirms_nothing() -> None:
    assert reasons(Bottling(28), written(18, Measurement(1.004)), facts=DONE)[0] is Reason.NO_AGREEING_CHECK
    adrift = seen(0.994, finished=15, float_adrift=18)
    assert reasons(Bottling(28), CHECKED, facts=adrift) == [Reason.NO_AGREEING_CHECK]


def test_a_check_of_weeks_ago_is_repeated_before_bottling_but_not_before_sulfiting() -> None:
    facts = seen(0.994, day=90, finished=15)

    assert reasons(Bottling(28), CHECKED, day=90, facts=facts) == [Reason.NO_AGREEING_CHECK]
    assert reasons(SULFITE, CHECKED, day=90, facts=facts) == []


def test_two_equal_checks_two_days_apart_do_without_a_float() -> None:
    """Common practice: a ferment has ended when the hydrometer shows the same two or three days apart."""
    first, second = written(17, Measurement(0.995)), written(19.5, Measurement(0.995))

    assert reasons(Bottling(28), first, second) == []
    assert Reason.NOT_FINISHED in reasons(Bottling(28), first)
    assert Reason.NOT_FINISHED in reasons(Bottling(28), written(19, Measurement(0.995)), second)
    assert Reason.NOT_FINISHED in reasons(Bottling(28), written(17, Measurement(0.999)), second)


def test_two_equal_checks_of_a_wine_that_is_still_sweet_do_not_make_it_finished() -> None:
    checks = [written(10, Measurement(1.018)), written(19, Measurement(1.018))]

    assert Reason.NOT_FINISHED in reasons(Bottling(28), *checks)


def test_a_wine_that_was_meant_to_stay_sweet_is_bottled_only_when_stabilised() -> None:
    sweet = Entry("s", "lot", at(0), at(0), Start("carboy", gravity=1.120, litres=22.0, target_gravity=1.012))
    checks = [written(40, Measurement(1.012)), written(44, Measurement(1.012))]
    cellar = Cellar(fold([sweet, *checks]), VESSELS)
    stabilised = Cellar(fold([sweet, *checks, written(45, SORBATE)]), VESSELS)

    assert [r.reason for r in refusals(written(46, Bottling(28)), cellar)] == [Reason.LIVE_YEAST_AND_SUGAR]
    assert refusals(written(46, Bottling(28)), stabilised) == []


def test_sugar_after_the_finish_undoes_finished_and_checked_unless_the_wine_was_stabilised_before() -> None:
    fed = written(19, Addition("sugar", 500, "g", sugar_g=500.0, purpose="enrich"))

    assert Reason.NOT_FINISHED in reasons(Bottling(28), CHECKED, fed, facts=DONE)
    sweetened = [CHECKED, written(18.5, SORBATE), written(19, SWEETEN)]
    measured = written(19.5, Measurement(1.0036, 20.0))
    assert reasons(Bottling(28), *sweetened, measured, facts=seen(1.0036, finished=15)) == []
    # Sweetening lifts the gravity, and the watch then no longer says "finished".
    assert reasons(Bottling(28), *sweetened, measured, facts=seen(1.004)) == []


def test_yeast_after_stabilising_makes_the_sugar_dangerous_again() -> None:
    book = [CHECKED, written(18.5, SORBATE), written(19, SWEETEN), written(19.5, Addition("yeast", 5, "g"))]

    assert Reason.LIVE_YEAST_AND_SUGAR in reasons(Bottling(28), *book, facts=seen(1.004, finished=15))


def test_sweetening_live_yeast_is_refused_even_in_a_dry_and_checked_wine() -> None:
    assert reasons(SWEETEN, CHECKED, facts=DONE) == [Reason.LIVE_YEAST_AND_SUGAR]
    assert reasons(SUGAR, CHECKED, facts=DONE) == [Reason.LIVE_YEAST_AND_SUGAR]


def test_sugar_that_is_meant_to_ferment_is_not_gated() -> None:
    assert reasons(SUGAR, facts=FERMENTING, day=3) == []
    step_feeding = Addition("honey", 500, "g", sugar_g=400.0, purpose="enrich")
    assert reasons(step_feeding, CHECKED, facts=DONE) == []


def test_sulfite_in_the_fresh_must_before_the_yeast_is_no_gate() -> None:
    fresh = seen(1.085, rate=0.0, day=0.5)

    assert reasons(SULFITE, day=0.5, facts=fresh) == []
    assert Reason.NOT_FINISHED in reasons(SULFITE, day=2, facts=seen(1.070, rate=-0.01, day=2))


def test_a_gravity_that_surely_still_falls_outweighs_a_finding_of_the_past() -> None:
    still = seen(0.996, rate=-0.004, finished=15)

    assert Reason.NOT_FINISHED in reasons(Bottling(28), CHECKED, facts=still)


def test_refermenting_closes_the_gate_again() -> None:
    again = seen(0.994, finished=15, refermenting=19)

    assert reasons(Bottling(28), CHECKED, facts=again) == [Reason.NOT_FINISHED]


def test_a_stabilising_taken_against_the_rule_is_no_witness_that_the_wine_had_finished() -> None:
    forced = written(15, SORBATE, despite="selling it tomorrow")

    assert Reason.NOT_FINISHED in reasons(Bottling(28), forced, facts=seen(1.010))


def doses(what: What, *book: Entry, limit: float = 200.0, litres: float | None = 22.0) -> list[Refusal]:
    start = written(0, Start("carboy", gravity=1.085, litres=litres))
    cellar = Cellar(fold([start, *book]), VESSELS, Profile(total_so2_limit_mg_per_l=limit))
    return refusals(written(0.1, what), cellar)


def test_sulfite_over_the_profiles_limit_is_refused_with_the_total_and_the_danger() -> None:
    """1.2 g of potassium metabisulfite brings 31 mg/L of SO2 into 22 L: 57.6 % by atomic weights."""
    assert doses(SULFITE) == []

    found = doses(Addition("potassium metabisulfite", 1.9, "kg"))

    assert [(r.reason, r.kind) for r in found] == [(Reason.OVER_THE_SO2_LIMIT, RefusalKind.GATE)]
    assert "to 49772 mg/L or more, over the limit of 200 mg/L" in found[0].line
    assert "asthma" in found[0].line
    assert found[0].can_be_overruled
    assert [r.reason for r in doses(SULFITE, limit=30.0)] == [Reason.OVER_THE_SO2_LIMIT]


def test_total_so2_adds_up_over_the_book_and_is_thinned_with_the_wine() -> None:
    three = [written(0.01 * i, Addition("potassium metabisulfite", 2.4, "g")) for i in (1, 2, 3)]
    water = written(0.05, Addition("water", 5.0, "L", litres=5.0))

    assert [r.reason for r in doses(SULFITE, *three)] == [Reason.OVER_THE_SO2_LIMIT]
    assert doses(SULFITE, *three, water) == []
    measured = written(0.05, Measurement(free_so2_mg_per_l=190.0))
    assert [r.reason for r in doses(SULFITE, measured)] == [Reason.OVER_THE_SO2_LIMIT]
    late = [written(1, Addition("potassium metabisulfite", 7.0, "g"))]
    assert [r.reason for r in doses(SULFITE, *late)] == [Reason.OVER_THE_SO2_LIMIT]


@pytest.mark.parametrize(
    ("what", "litres"),
    [
        (Addition("sulfite tablets", 30, "tablets"), 22.0),
        (Addition("10 % sulfite solution", 100, "mL"), 22.0),
        (Addition("metabisulfite to stabilise", 12, "g"), 22.0),
        (Addition("sodium metabisulfite", 0.5, "oz"), 22.0),
        (Addition("metabisulfite", 10, "g"), None),
    ],
    ids=str,
)
def test_sulfite_is_weighed_however_it_is_written(what: Addition, litres: float | None) -> None:
    """Without a volume a full vessel is taken: 10 g in 23 L are 251 mg/L at least."""
    assert Reason.OVER_THE_SO2_LIMIT in [r.reason for r in doses(what, litres=litres)]


def test_ten_times_a_usual_dose_is_doubted() -> None:
    found = doses(Addition("yeast nutrient", 500, "g"))

    assert [(r.reason, r.kind) for r in found] == [(Reason.FAR_TOO_MUCH, RefusalKind.DOUBTFUL)]
    assert "500 g in 22 L is 22.7 g/L, more than ten times a usual addition (11 g)" in found[0].line
    assert doses(Addition("yeast nutrient", 50, "g")) == []
    assert [r.reason for r in doses(Addition("metabisulfite", 30, "g"), limit=1000.0)] == [
        Reason.FAR_TOO_MUCH
    ]


DRY = [written(18, Measurement(0.995, 20.0)), written(21, Measurement(0.995, 20.0)), written(22, SORBATE)]
SWEETENED = [*DRY, written(23, SWEETEN)]
"""500 g in 22 L: (22 * 0.995 * 0.9982 + 0.5) / 22.31 / 0.9982 = 1.0036 is what it should read."""


def test_a_sweetened_wine_that_reads_what_it_should_is_bottled_and_an_unmeasured_one_waits() -> None:
    assert reasons(Bottling(28), *SWEETENED, day=25) == [Reason.NO_AGREEING_CHECK]
    assert reasons(Bottling(28), *SWEETENED, written(24, Measurement(1.0036)), day=25) == []
    assert reasons(Bottling(28), *SWEETENED, written(24, Measurement(1.005)), day=25) == []


@pytest.mark.parametrize("facts", [None, seen(0.999, day=25, finished=15)], ids=["by-hand", "with-a-float"])
def test_a_sweetened_wine_that_reads_less_than_it_should_ferments_again(facts: Facts | None) -> None:
    found = reasons(Bottling(28), *SWEETENED, written(24, Measurement(0.999)), day=25, facts=facts)

    assert Reason.NO_AGREEING_CHECK in found


def test_a_sweetened_wine_that_reads_too_little_is_said_to_ferment_its_sugar() -> None:
    book = [*SWEETENED, written(24, Measurement(0.999))]
    history = fold([written(0, Start("carboy", gravity=1.085, litres=22.0)), *book])

    (found,) = refusals(written(25, Bottling(28)), Cellar(history, VESSELS))

    assert "(0.999) is too low (it should read about 1.004" in found.line
    assert "the added sugar seems to ferment" in found.line


def test_a_wine_that_is_sweeter_than_its_sugar_explains_waits_for_two_equal_checks() -> None:
    once = [*SWEETENED, written(24, Measurement(1.012))]

    assert Reason.NO_AGREEING_CHECK in reasons(Bottling(28), *once, day=25)
    assert reasons(Bottling(28), *once, written(27, Measurement(1.012)), day=28) == []


def test_a_sweetened_wine_with_live_yeast_is_measured_against_no_sugar() -> None:
    """Without stabilising the sugar is to ferment: it reads high because it has not finished."""
    fed = [*DRY[:2], written(23, SUGAR), written(24, Measurement(1.0036))]

    assert Reason.NOT_FINISHED in reasons(Bottling(28), *fed, day=25)


def test_what_a_sweetened_wine_should_read_is_said() -> None:
    history = fold([written(0, Start("carboy", gravity=1.085, litres=22.0)), *SWEETENED])

    (found,) = refusals(written(25, Bottling(28)), Cellar(history, VESSELS))

    assert "should read about 1.004: 0.995 before, 0.009 by the sugar added" in found.line
