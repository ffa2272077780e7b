"""Cautions appear where they matter, with numbers that can be checked."""

import pytest

from mustwatch.cellar.book import Addition, Bottling, Entry, Measurement, Racking, Start, What
from mustwatch.cellar.guidance import (
    GLASS_CAUTION,
    SULFITE_CAUTION,
    Fermenting,
    co2_caution,
    co2_g_per_hour,
    entry_cautions,
)
from mustwatch.cellar.history import fold
from mustwatch.cellar.vessel import Vessel, VesselKind

VESSELS = [Vessel("bucket", VesselKind.BUCKET, 30.0), Vessel("carboy", VesselKind.CARBOY, 23.0)]
VESSELS += [Vessel("demijohn", VesselKind.CARBOY, 5.0), Vessel("jug", VesselKind.CARBOY, 5.0)]


@pytest.mark.parametrize(
    ("sugar_g_per_l", "fall"),
    # Musts of 180 to 240 g/L and how far they fall, from the OIML ethanol table with 20 g/L of extract, 16.83 g/L
    # per % vol: 1.0768 to 0.9934, 1.0845 to 0.9920, 1.0922 to 0.9906, 1.1006 to 0.9900.
    [(180, 0.0834), (200, 0.0925), (220, 0.1016), (240, 0.1106)],
)
def test_the_co2_of_a_whole_ferment_is_what_its_sugar_gives(sugar_g_per_l: float, fall: float) -> None:
    """0.4886 g of CO2 from a gram of hexose: 2 x 44.01 / 180.16 (stoichiometry)."""
    in_one_day = co2_g_per_hour(1.0, -fall) * 24.0

    assert in_one_day == pytest.approx(sugar_g_per_l * 0.4886, rel=0.005)


def test_a_wine_that_rises_or_rests_gives_none() -> None:
    assert co2_g_per_hour(23.0, 0.0) == 0.0
    assert co2_g_per_hour(23.0, 0.002) == 0.0


def test_several_lots_in_full_ferment_call_for_air_and_say_how_much_and_that_it_is_an_estimate() -> None:
    """Two lots of 23 L falling 0.020 a day: 2 x 23 x 43.2 g/L x 0.4886 / 24 = 40 g an hour; the limit of 5000 ppm
    is 9 g in a cubic metre (Directive 2006/15/EC, from memory), 180 g in 20 of them, reached after 4 to 5 hours."""
    caution = co2_caution([Fermenting("a", 23.0, -0.020), Fermenting("b", 23.0, -0.020)])

    assert caution is not None
    assert "2 lots give off about 40 g of CO2 an hour together (an estimate" in caution
    assert "pass 5000 ppm in about 4 hours" in caution
    assert "air the room" in caution


def test_one_small_lot_near_its_end_is_not_worth_a_word() -> None:
    assert co2_caution([Fermenting("a", 5.0, -0.005), Fermenting("b", 20.0, 0.0)]) is None
    assert co2_caution([]) is None


def cautions(what: What, despite: str | None = None) -> list[str]:
    lot = fold([Entry("s", "kit", 0, 0, Start("bucket"))]).lots["kit"]
    return entry_cautions(Entry("e", "kit", 10, 10, what, despite), lot, VESSELS)


def test_glass_is_heavy_where_it_is_large() -> None:
    assert GLASS_CAUTION in cautions(Racking("carboy"))
    assert GLASS_CAUTION not in cautions(Racking("demijohn"))


def test_sulfite_carries_its_caution_and_a_check_carries_none() -> None:
    assert SULFITE_CAUTION in cautions(Addition("potassium metabisulfite", 1.2, "g"))
    assert SULFITE_CAUTION in cautions(Addition("potassium sorbate", 5, "g"))
    assert cautions(Measurement(1.03)) == []
    assert cautions(Addition("sugar", 500, "g")) == []


def test_bottling_against_the_rule_says_how_to_live_with_the_bottles() -> None:
    assert any("open one each week" in c for c in cautions(Bottling(28), despite="my risk"))
    assert not any("open one each week" in c for c in cautions(Bottling(28)))
