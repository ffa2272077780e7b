"""Scenarios in TOML: read, refused by name of what is wrong, and varied."""

import numpy as np
import pytest

from mustsim.ferment import Must
from mustsim.scenario import Deed, ScenarioError, load, parse, shipped_names
from mustsim.sensors import FaultKind
from mustsim.vary import randomised

SMALL = """
days = 10
[[rooms]]
name = "cellar"
[[vessels]]
name = "bucket"
[[lots]]
name = "wine"
vessel = "bucket"
must = { gravity = 1.080 }
[[sensors]]
id = "float"
vessel = "bucket"
"""


def test_a_small_scenario_is_completed_with_what_is_usual():
    scenario = parse(SMALL, "small")

    assert scenario.name == "small"
    assert scenario.lots[0].must == Must(gravity=1.080)
    assert scenario.sensors[0].interval_min == 15.0
    assert scenario.days == 10.0


# Every family that is asked of the simulator, by the name of its scenario.
FAMILIES = [
    "healthy-white", "warm-red", "kit", "stuck-cold", "stuck-heat", "stuck-nutrient", "stuck-forced", "sluggish",
    "late-onset", "cold-nights", "heat-wave", "float-dies", "float-freezes", "foam-sticks", "probe-freezes",
    "refermenting", "battery-dying", "outages", "racking", "topping-up", "sugar-in-steps", "lid-left-off",
    "two-floats",
]  # fmt: skip


@pytest.mark.parametrize("name", FAMILIES)
def test_every_family_has_a_scenario_that_says_what_it_is(name):
    scenario = load(name)

    assert scenario.title
    assert scenario.story
    assert scenario.family


@pytest.mark.parametrize("name", shipped_names())
def test_every_shipped_scenario_begins_at_a_time_with_an_offset(name):
    assert load(name).begins.utcoffset() is not None


# (text, what the message must name)
FAULTY = [
    ("days = ", "not TOML"),
    ('colour = "red"', "colour: unknown key"),
    (SMALL.replace("1.080", '"sweet"'), "gravity: 'sweet'; expected float"),
    (SMALL.replace('vessel = "bucket"\nmust', 'vessel = "vat"\nmust'), "no vessel 'vat'"),
    (
        SMALL.replace('id = "float"\nvessel = "bucket"', 'id = "float"\nroom = "attic"'),
        "sensor float: expected",
    ),
    (SMALL.replace('name = "wine"\n', ""), "'name' missing"),
    (SMALL + '[[actions]]\ndeed = "dance"\nday = 1', "deed: 'dance'; expected one of"),
    (SMALL + '[[actions]]\ndeed = "measure"', "expected either day or at_gravity"),
    (SMALL + '[[actions]]\ndeed = "rack"\nday = 2\nto = "barrel"', "no vessel 'barrel'"),
    (SMALL + '[[actions]]\ndeed = "measure"\nday = 2\nlot = "beer"', "lot 'beer'; expected one of ['wine']"),
    (SMALL + '[[faults]]\nkind = "explodes"', "kind: 'explodes'; expected one of"),
    (SMALL.replace("days = 10", "days = true"), "days: True; expected float"),
    (SMALL.replace("days = 10", "begins = 2026-09-19T10:00:00"), "expected a time with its offset"),
    (SMALL.replace('name = "wine"', 'name = "wine"\nband_c = [15, 26]'), "expected 4 values"),
    (
        SMALL.replace('id = "float"', 'id = "float"\nkind = "buoy"'),
        "kind: 'buoy'; expected one of float, probe",
    ),
    (SMALL.replace('name = "wine"', 'name = "wine"\nfrom_day = 11'), "from_day 11.0; expected 0 to 10.0"),
    ("days = 3", "at least one [[lots]]"),
]


@pytest.mark.parametrize(("text", "named"), FAULTY)
def test_what_is_wrong_is_named_in_one_line(text, named):
    with pytest.raises(ScenarioError) as refused:
        parse(text, "faulty")

    assert named in str(refused.value)
    assert str(refused.value).startswith("scenario faulty: ")
    assert "\n" not in str(refused.value)


def test_an_unknown_name_is_answered_with_the_known_ones():
    with pytest.raises(ScenarioError, match="known: battery-dying, by-hand"):
        load("nothing")


def test_a_missing_file_is_named():
    with pytest.raises(ScenarioError, match=r"none\.toml: no such file"):
        load("/none.toml")


class TestVariation:
    def draw(self, name, number):
        return randomised(load(name), np.random.default_rng(number))

    def test_the_same_number_draws_the_same(self):
        assert self.draw("kit", 5) == self.draw("kit", 5)

    def test_five_hundred_draws_are_five_hundred_ferments(self):
        scenario = load("healthy-white")
        drawn = {randomised(scenario, np.random.default_rng(i)).lots[0].must for i in range(500)}

        assert len(drawn) == 500

    def test_draws_keep_to_their_ranges(self):
        for number in range(50):
            drawn = self.draw("healthy-white", number)
            assert 1.068 <= drawn.lots[0].must.gravity <= 1.105
            assert 0.0008 <= drawn.sensors[0].noise <= 0.003
            assert drawn.sensors[0].interval_min in (5.0, 10.0, 15.0, 30.0, 60.0)
            assert drawn.sensors[0].quantum in (0.0005, 0.001)

    def test_a_forced_stall_stays_clear_of_dryness(self):
        for number in range(50):
            lot = self.draw("stuck-forced", number).lots[0]
            assert lot.dry_at + 0.006 < lot.yeast.stall_gravity < lot.must.gravity - 0.015

    def test_a_choice_among_kinds_stays_a_kind(self):
        kinds = {self.draw("float-freezes", number).faults[0].kind for number in range(20)}

        assert kinds == {FaultKind.FREEZES, FaultKind.FREEZES_WHOLE}

    def test_what_is_left_unset_stays_unset(self):
        actions = [a for a in self.draw("racking", 1).actions if a.deed is Deed.RACK]

        assert actions[0].day is None
        assert actions[0].at_gravity == 1.010

    @pytest.mark.parametrize(
        ("line", "named"),
        [
            ('"lots.*.must.colour" = [1, 2]', "'colour' is not there"),
            ('"lots.7.litres" = [1, 2]', "'7'; expected * or a number below 1"),
            ('"lots.*.litres" = [1, 2, 3]', "expected [low, high]"),
            (
                '"lots.*.must.gravity" = [1.04, 1.041]\n"lots.*.must.extract_g_per_l" = [60, 61]',
                "no plausible draw",
            ),
        ],
    )
    def test_what_cannot_be_varied_is_named(self, line, named):
        with pytest.raises(ScenarioError) as refused:
            randomised(parse(f"{SMALL}\n[vary]\n{line}\n", "odd"), np.random.default_rng(1))

        assert named in str(refused.value)
