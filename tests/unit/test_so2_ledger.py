"""A lot's SO2 by its book: added, measured, thinned, what is left of it, and its molecular part."""

import pytest

from mustwatch.cellar.book import Addition, Entry, Measurement, Racking, Start, What
from mustwatch.cellar.history import fold
from mustwatch.cellar.instant import DAY_MS
from mustwatch.cellar.profile import Profile
from mustwatch.cellar.refusal import Reason
from mustwatch.cellar.rules import Cellar, refusals
from mustwatch.cellar.so2 import Left, ledger, left
from mustwatch.cellar.vessel import Vessel, VesselKind

BEGAN = 1_790_000_000_000
META_G = 1.0
"""Of potassium metabisulfite: 2 x 64.06 / 222.31 of it is SO2 (atomic weights), so 576.3 mg, in 20 L 28.82 mg/L."""
IN_20_L = 28.816


def entry(day: float, what: What) -> Entry:
    at_ms = BEGAN + int(day * DAY_MS)
    return Entry(f"{day}-{what.kind}", "lot", at_ms, at_ms, what)


def book(*of: tuple[float, What]) -> list[Entry]:
    start: What = Start("carboy", gravity=1.090, litres=20.0)
    return [entry(day, what) for day, what in ((0.0, start), *of)]


def now(*of: tuple[float, What], day: float = 30.0, celsius: float | None = None) -> Left:
    found = left(fold(book(*of)).lots["lot"], 23.0, celsius, BEGAN + int(day * DAY_MS))
    assert found is not None
    return found


def meta(grams: float = META_G) -> Addition:
    return Addition("potassium metabisulfite", grams, "g")


RACKED = (10.0, Racking("carboy-2", litres=20.0))


def test_what_is_added_to_a_wine_counts_whole_and_a_third_to_three_quarters_of_it_is_free() -> None:
    found = now(RACKED, (30.0, meta()))

    assert found.total == pytest.approx(IN_20_L, abs=0.01)
    assert found.free == pytest.approx((0.35 * IN_20_L, 0.75 * IN_20_L), abs=0.01)


def test_what_went_into_the_must_is_bound_by_its_ferment() -> None:
    found = now((0.1, meta()), RACKED)

    assert found.total == pytest.approx(IN_20_L, abs=0.01)
    assert found.free == (0.0, 0.0)


def test_a_measurement_is_believed_and_free_so2_is_used_up_by_up_to_five_a_month_after_it() -> None:
    measured = Measurement(free_so2_mg_per_l=28.0, error=3.0)

    assert now(RACKED, (20.0, meta()), (30.0, measured)).free == (25.0, 31.0)
    later = now(RACKED, (20.0, meta()), (30.0, measured), day=60.0)
    assert later.free == pytest.approx((20.0, 31.0))
    assert later.measured is not None
    total = now(RACKED, (20.0, meta()), (30.0, Measurement(total_so2_mg_per_l=70.0)))
    assert total.total == 70.0


def test_water_thins_it_by_its_volume() -> None:
    found = now(RACKED, (20.0, Measurement(free_so2_mg_per_l=30.0, total_so2_mg_per_l=90.0)), (30.0, water()))

    assert found.total == pytest.approx(72.0)
    assert found.free == pytest.approx((24.0, 24.0))


def water() -> Addition:
    return Addition("water", 5.0, "L", litres=5.0)


def test_the_molecular_part_is_at_the_newest_ph_and_the_wine_s_temperature() -> None:
    """At pH 3.4 2.51 % of the free is molecular by the trade's table (pKa 1.81 at 25 °C): of 40 mg/L, 1.0."""
    measured: list[tuple[float, What]] = [
        RACKED,
        (29.0, Measurement(ph=3.6)),
        (30.0, Measurement(ph=3.4, free_so2_mg_per_l=40.0)),
    ]

    warm, cool = now(*measured, celsius=25.0).molecular, now(*measured, celsius=15.0).molecular

    assert warm is not None
    assert cool is not None
    assert warm[0] == pytest.approx(1.005, abs=0.003)
    assert cool[0] == pytest.approx(0.786, abs=0.003), "pKa 1.702 at 15 °C"
    assert warm[1] > warm[0]
    assert now(RACKED, (30.0, Measurement(free_so2_mg_per_l=40.0))).molecular is None


def test_a_book_that_tells_of_no_sulfite_has_no_ledger() -> None:
    assert left(fold(book(RACKED)).lots["lot"], 23.0, None, BEGAN + 30 * DAY_MS) is None
    assert left(fold(book((1.0, Measurement(ph=3.4)))).lots["lot"], 23.0, None, BEGAN + 30 * DAY_MS) is None


def test_each_entry_that_tells_has_its_line() -> None:
    lines = ledger(book((1.0, meta()), (2.0, Measurement(ph=3.4)), RACKED, (12.0, meta())), 23.0)

    assert [round(line.added, 1) for line in lines] == [28.8, 28.8]
    assert [round(line.total, 1) for line in lines] == [28.8, 57.6]


def test_a_measured_total_is_what_the_limit_is_held_against() -> None:
    """The profile's limit, 200 mg/L: 180 measured and 29 added are too much, 150 and 29 are not."""

    def reasons(total: float) -> list[Reason]:
        history = fold(book((0.02, Measurement(total_so2_mg_per_l=total))))
        cellar = Cellar(history, {"carboy": Vessel("carboy", VesselKind.CARBOY, 23.0)}, Profile())
        return [r.reason for r in refusals(entry(0.04, meta()), cellar)]

    assert reasons(150.0) == []
    assert reasons(180.0) == [Reason.OVER_THE_SO2_LIMIT]
