"""A lot in several vessels, parted and blended: what stands where, how strong it is, and what may be done with it.

Alcohol is held against mass balances worked out by hand beside each test; the alcohol of an unblended wine itself is
held against published tables in tests/reference.
"""

import pytest

from mustwatch.cellar.book import (
    Addition,
    Bottling,
    Entry,
    Fate,
    Measurement,
    Pour,
    Racking,
    StageChange,
    Start,
    Transfer,
    TransferName,
    What,
)
from mustwatch.cellar.facts import NOTHING_KNOWN
from mustwatch.cellar.gates import gates
from mustwatch.cellar.hearing import said_of_sensors
from mustwatch.cellar.history import CellarHistory, fold
from mustwatch.cellar.profile import Profile, Stage
from mustwatch.cellar.refusal import Reason
from mustwatch.cellar.requirements import Case, Requirement, since
from mustwatch.cellar.rules import Cellar, refusals
from mustwatch.cellar.sensor import Sensor, SensorKind
from mustwatch.cellar.strength import strength_of
from mustwatch.cellar.transfer_rules import can_ferment_again
from mustwatch.cellar.vessel import Vessel, VesselKind
from mustwatch.must.alcohol import alcohol

DAY = 86_400_000
VESSELS = {
    name: Vessel(name, VesselKind.CARBOY, litres)
    for name, litres in (("tank", 60.0), ("bucket", 30.0), ("carboy", 23.0), ("jug", 5.0), ("small", 2.0))
}


def book(*written: tuple[int, str, What]) -> list[Entry]:
    return [Entry(f"e{i}", lot, day * DAY, day * DAY, what) for i, (day, lot, what) in enumerate(written)]


def told(*written: tuple[int, str, What]) -> CellarHistory:
    return fold(book(*written))


def refused(history: list[Entry], entry: Entry) -> list[Reason]:
    cellar = Cellar(fold(history), VESSELS)
    return [refusal.reason for refusal in refusals(entry, cellar)]


MERLOT = (
    (0, "merlot", Start("tank", gravity=1.095, litres=54.0)),
    (9, "merlot", Measurement(gravity=0.996)),
)
CAB = ((0, "cab", Start("bucket", gravity=1.080, litres=20.0)), (9, "cab", Measurement(gravity=0.992)))


def split(*pours: Pour) -> Transfer:
    return Transfer(TransferName.SPLIT, pours)


def test_a_split_lot_stands_in_all_its_vessels_and_every_litre_is_somewhere() -> None:
    pours = (
        Pour("merlot", "tank", 22.5, "carboy"),
        Pour("merlot", "tank", 25.0, "bucket"),
        Pour("merlot", "tank", 5.0, "jug", "jug wine"),
        Pour("merlot", "tank", 1.2, fate=Fate.LEES),
        Pour("merlot", "tank", None, fate=Fate.UNEXPLAINED),
    )

    history = told(*MERLOT, (10, "merlot", split(*pours)))

    assert dict(history.lots["merlot"].parts) == {"carboy": 22.5, "bucket": 25.0}
    assert dict(history.lots["jug wine"].parts) == {"jug": 5.0}
    lost = [p for p in history.lots["merlot"].entries[-1].what.pours if p.to_vessel is None]  # type: ignore[union-attr]
    assert [round(p.litres or 0.0, 6) for p in lost] == [1.2, 0.3]
    stay = history.lot_in("jug", 11 * DAY)
    assert stay is not None
    assert stay.lot == "jug wine"
    assert history.lot_in("tank", 11 * DAY) is None


def test_a_part_is_what_its_parent_was() -> None:
    history = told(
        *MERLOT,
        (10, "merlot", Addition("sugar", 540.0, "g", sugar_g=540.0, purpose="enrich")),
        (11, "merlot", StageChange(Stage.CLEARING)),
        (12, "merlot", split(Pour("merlot", "tank", 5.4, "jug", "part", finished=True))),
    )

    part = history.lots["part"]
    sugar = next(e for e in part.entries if isinstance(e.what, Addition))

    assert part.starting_gravity() == 1.095
    assert part.stage_at(12 * DAY) is Stage.CLEARING
    assert part.started_ms == 0
    assert part.born_ms == 12 * DAY
    # 54 L and the 0.33 L that 540 g of sugar take up: 5.4 L of it have 540 x 5.4 / 54.33 g.
    assert isinstance(sugar.what, Addition)
    assert sugar.what.sugar_g == pytest.approx(540 * 5.4 / (54 + 0.54 * 0.62), rel=1e-9)
    assert sugar.lot == "merlot"
    assert since(Requirement.FINISHED, Case(part, Profile(), NOTHING_KNOWN, 13 * DAY)) == 12 * DAY


def test_alcohol_of_a_blend_is_the_mean_by_volume() -> None:
    """Hand: merlot from 1.095 to 0.996 has A % vol, cab from 1.080 to 0.992 has B; 30 L of A with 10 L of B hold
    30 A + 10 B hundredths of a litre in 40 L: (3 A + B) / 4."""
    both = Transfer(
        TransferName.BLEND,
        (Pour("merlot", "tank", 30.0, "carboy", "claret"), Pour("cab", "bucket", 10.0, "carboy", "claret")),
    )
    history = told(*MERLOT, *CAB, (10, "claret", both))

    claret = strength_of(history.lots["claret"], ())

    a, b = alcohol(1.095, 0.996).abv_percent, alcohol(1.080, 0.992).abv_percent
    assert claret is not None
    assert claret.abv_percent == pytest.approx((3 * a + b) / 4, abs=1e-9)
    assert [g for _, g in history.lots["claret"].gravities()][-1] == pytest.approx((3 * 0.996 + 0.992) / 4)
    left = strength_of(history.lots["merlot"], ())
    assert left is not None
    assert left.abv_percent == a


def test_sweetening_thins_the_alcohol_of_a_part_by_the_sugar_s_own_volume() -> None:
    """Hand: 5 L of A % vol and 300 g of sugar, which take up 0.62 L/kg (ICUMSA), are 5.186 L: A x 5 / 5.186."""
    history = told(
        *MERLOT,
        (10, "merlot", split(Pour("merlot", "tank", 5.0, "jug", "part"))),
        (11, "part", Addition("sugar", 300.0, "g", sugar_g=300.0, purpose="sweeten")),
    )

    sweet = strength_of(history.lots["part"], ())

    assert sweet is not None
    a = alcohol(1.095, 0.996).abv_percent
    assert sweet.abv_percent == pytest.approx(a * 5.0 / 5.186, rel=1e-9)


def test_sugar_that_ferments_after_a_blend_counts_from_both_musts() -> None:
    """Two alike musts of 1.060 and 1.100, 10 L each, are one of 1.080 (by volume, exact in mass): checked at 0.996
    later, the blend has what a must of 1.080 would have."""
    both = Transfer(
        TransferName.BLEND,
        (Pour("a", "bucket", None, "carboy", "ab"), Pour("b", "jug", None, "carboy", "ab")),
    )
    history = told(
        (0, "a", Start("bucket", gravity=1.060, litres=10.0)),
        (0, "b", Start("jug", gravity=1.100, litres=10.0)),
        (1, "ab", both),
        (20, "ab", Measurement(gravity=0.996)),
    )

    blend = strength_of(history.lots["ab"], ())

    assert blend is not None
    assert blend.abv_percent == pytest.approx(alcohol(1.080, 0.996).abv_percent, abs=0.01)


def test_topping_up_a_stabilised_sweet_wine_with_living_yeast_closes_the_gates_and_says_so() -> None:
    sweet = (
        *MERLOT,
        (12, "merlot", Measurement(gravity=0.996)),
        (13, "merlot", Addition("sorbate", 10.0, "g", purpose="stabilise")),
        (14, "merlot", Addition("sugar", 1000.0, "g", sugar_g=1000.0, purpose="sweeten")),
        (16, "merlot", Measurement(gravity=1.003)),
    )
    up = Transfer(TransferName.TOP_UP, (Pour("cab", "bucket", 1.0, "tank", "merlot"),))
    bottling = Entry("b", "merlot", 18 * DAY, 18 * DAY, Bottling(60))

    def closed(history: CellarHistory) -> set[Reason]:
        case = Case(history.lots["merlot"], Profile(), NOTHING_KNOWN, 18 * DAY)
        return {refusal.reason for refusal in gates(bottling, case)}

    assert Reason.LIVE_YEAST_AND_SUGAR not in closed(told(*sweet, *CAB))
    after = told(*sweet, *CAB, (17, "merlot", up))
    assert Reason.LIVE_YEAST_AND_SUGAR in closed(after)
    entry = next(e for e in book(*sweet, *CAB, (17, "merlot", up)) if isinstance(e.what, Transfer))
    assert ["can ferment again" in line for line in can_ferment_again(entry, after)] == [True]


def test_sweet_wine_into_a_dry_one_with_living_yeast_is_sugar_given_to_it() -> None:
    dry = (*CAB, (12, "cab", Measurement(gravity=0.992)))
    up = Transfer(TransferName.TOP_UP, (Pour("must", "jug", 2.0, "bucket", "cab"),))
    must = (10, "must", Start("jug", gravity=1.050, litres=4.0))

    before = Case(told(*dry, must).lots["cab"], Profile(), NOTHING_KNOWN, 14 * DAY)
    after = Case(told(*dry, must, (13, "cab", up)).lots["cab"], Profile(), NOTHING_KNOWN, 14 * DAY)

    assert since(Requirement.FINISHED, before) is not None
    assert since(Requirement.FINISHED, after) is None
    assert since(Requirement.DRY, after) is None


def test_a_lot_bottled_in_part_goes_on_and_ends_with_the_last_bottle() -> None:
    first = (20, "cab", Bottling(10, in_part=True))
    history = told(*CAB, first)
    assert history.lots["cab"].litres == pytest.approx(12.5)
    assert history.lots["cab"].ended_ms is None
    assert history.lots["cab"].bottled_ms is None

    history = told(*CAB, first, (22, "cab", Bottling(16)))
    assert history.lots["cab"].bottled_ms == 22 * DAY
    assert history.lots["cab"].ended_as == "bottled"


def test_a_lot_poured_away_or_blended_whole_has_ended_and_its_floats_are_out() -> None:
    placed = (0, "cab", Start("bucket", gravity=1.080, litres=20.0, floats=("float-1",)))
    away = Transfer(TransferName.DUMP, (Pour("cab", "bucket", None, fate=Fate.POURED_AWAY),))

    history = told(placed, (5, "cab", away))

    assert history.lots["cab"].end == (5 * DAY, "poured away")
    assert history.place("float-1", 6 * DAY).vessel is None


def test_a_float_goes_with_the_part_it_was_said_to_go_with() -> None:
    start = (0, "merlot", Start("tank", gravity=1.095, litres=28.0, floats=("float-1",)))
    pours = (
        Pour("merlot", "tank", 23.0, "carboy"),
        Pour("merlot", "tank", 5.0, "jug", "part", floats=("float-1",)),
    )

    history = told(start, (3, "merlot", split(*pours)))

    assert history.place("float-1", 4 * DAY)[:2] == ("jug", "part")


def test_one_part_of_a_lot_is_racked_by_itself() -> None:
    pours = (Pour("merlot", "tank", 23.0, "carboy"), Pour("merlot", "tank", 5.0, "jug"))
    history = told(
        *MERLOT,
        (10, "merlot", split(*pours)),
        (12, "merlot", Racking("bucket", from_vessel="carboy", lees_litres=1.0)),
    )

    assert dict(history.lots["merlot"].parts) == {"tank": 26.0, "jug": 5.0, "bucket": 22.0}


@pytest.mark.parametrize(
    ("transfer", "reason"),
    [
        # of wine that is not there
        (split(Pour("merlot", "carboy", 5.0, "jug")), Reason.EMPTY_VESSEL),
        (split(Pour("merlot", "tank", 60.0, "jug")), Reason.MORE_THAN_THERE),
        (split(Pour("merlo", "tank", 5.0, "jug")), Reason.UNKNOWN_LOT),
        # into a vessel that is not there, holds another wine, is too small
        (split(Pour("merlot", "tank", 5.0, "barrel")), Reason.UNKNOWN_VESSEL),
        (split(Pour("merlot", "tank", 5.0, "bucket")), Reason.OCCUPIED),
        (split(Pour("merlot", "tank", 5.0, "small")), Reason.TOO_SMALL),
        # 31 of 54 L left, and nobody says where
        (
            split(
                Pour("merlot", "tank", 23.0, "carboy"), Pour("merlot", "tank", None, fate=Fate.UNEXPLAINED)
            ),
            Reason.UNACCOUNTED,
        ),
        # a name that breaks a topic
        (split(Pour("merlot", "tank", 5.0, "jug", "a/b")), Reason.BAD_VALUE),
    ],
)
def test_a_transfer_that_cannot_be_is_refused(transfer: Transfer, reason: Reason) -> None:
    entry = Entry("new", "merlot", 12 * DAY, 12 * DAY, transfer)

    assert reason in refused(book(*MERLOT, *CAB), entry)


def test_what_is_within_the_error_of_measuring_is_not_asked_about() -> None:
    pours = (
        Pour("cab", "bucket", 19.6, "carboy"),
        Pour("cab", "bucket", None, fate=Fate.UNEXPLAINED),
    )

    assert not refused(book(*MERLOT, *CAB), Entry("new", "cab", 12 * DAY, 12 * DAY, split(*pours)))


def test_all_parts_of_a_lot_are_racked_together_where_no_vessel_is_named() -> None:
    pours = (Pour("cab", "bucket", 10.0, "carboy"), Pour("cab", "bucket", 4.0, "jug"))
    apart = (10, "cab", split(*pours))

    history = told(*CAB, apart, (12, "cab", Racking("tank", lees_litres=0.5)))

    assert dict(history.lots["cab"].parts) == {"tank": 19.5}
    assert history.lots["cab"].litres == 19.5
    assert history.lots["cab"].stage_at(13 * DAY) is Stage.SECONDARY


def test_wine_racked_back_into_its_vessel_is_ordinary_if_that_is_said() -> None:
    back = Racking("bucket", from_vessel="bucket", lees_litres=1.0)
    unsaid = Racking("bucket")

    assert not refused(book(*CAB), Entry("new", "cab", 12 * DAY, 12 * DAY, back))
    assert refused(book(*CAB), Entry("new", "cab", 12 * DAY, 12 * DAY, unsaid)) == [Reason.SAME_VESSEL]
    assert dict(told(*CAB, (12, "cab", back)).lots["cab"].parts) == {"bucket": 19.0}


def test_what_a_transfer_did_to_the_sensors_is_said() -> None:
    sensors = {
        "float-1": Sensor("float-1", SensorKind.FLOAT, "senml"),
        "probe": Sensor("probe", SensorKind.PROBE, "senml"),
    }
    start = (0, "cab", Start("bucket", gravity=1.080, litres=20.0, floats=("float-1", "probe")))
    away = Transfer(TransferName.DUMP, (Pour("cab", "bucket", None, fate=Fate.POURED_AWAY),))
    parted = split(Pour("cab", "bucket", None, "carboy", floats=("float-1",)))

    gone = [*said_of_sensors(book(start, (5, "cab", away))[1], told(start, (5, "cab", away)), sensors)]
    moved = [*said_of_sensors(book(start, (5, "cab", parted))[1], told(start, (5, "cab", parted)), sensors)]

    assert [line.split(":")[0] for line in gone] == ["float-1 is out", "probe is out"]
    assert moved[0] == "float-1 is in carboy now, with 'cab'"
    assert moved[1].startswith("Left in bucket: probe")
