"""Every conversion of must/: it comes back, it keeps order, and outside its range it says so in one line."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mustwatch.must import alcohol, density, enrichment, ethanol, expansion, sugar, sulfite
from mustwatch.must.bounds import OutOfRangeError

WIDE = st.floats(-1e4, 1e4) | st.floats(allow_nan=True, allow_infinity=True)

# name: there, back, low, high of the first; both rise with their argument.
PAIRS = {
    "gravity and °Brix": (sugar.gravity_from_brix, sugar.brix_from_gravity, -10.0, 44.0),
    "gravity and °Oechsle": (sugar.gravity_from_oechsle, sugar.oechsle_from_gravity, -40.0, 190.0),
    "gravity and Baumé": (sugar.gravity_from_baume, sugar.baume_from_gravity, -7.0, 24.0),
    "mass fraction and % vol": (
        ethanol.mass_fraction_from_abv_percent,
        lambda p: 100.0 * p * ethanol.ethanol_density_kg_per_m3(p) / ethanol.ETHANOL_20_KG_PER_M3,
        0.0,
        99.9,
    ),
}


@pytest.mark.parametrize("name", PAIRS)
@given(share=st.floats(0.0, 1.0))
def test_a_conversion_and_its_inverse_cancel(name, share):
    there, back, low, high = PAIRS[name]
    original = low + share * (high - low)

    assert back(there(original)) == pytest.approx(original, abs=1e-8)


@pytest.mark.parametrize("name", PAIRS)
@given(one=st.floats(0.0, 1.0), other=st.floats(0.0, 1.0))
def test_a_conversion_keeps_the_order(name, one, other):
    there, back, low, high = PAIRS[name]
    first, second = sorted(low + share * (high - low) for share in (one, other))
    if second - first < 1e-6:
        return

    assert there(first) < there(second)
    assert back(there(first)) < back(there(second))


@given(
    gravity=st.floats(0.96, 1.19),
    celsius=st.floats(0.0, 40.0),
    scale=st.sampled_from([15.0, 15.5556, 20.0]),
    expansion_per_k=st.sampled_from([0.0, 25e-6, 2e-4]),
)
def test_correcting_a_reading_and_showing_it_cancel(gravity, celsius, scale, expansion_per_k):
    shown = density.reading_from_gravity_20(
        gravity, celsius, calibrated_at_c=scale, expansion_per_k=expansion_per_k
    )
    back = density.gravity_20_from_reading(
        shown, celsius, calibrated_at_c=scale, expansion_per_k=expansion_per_k
    )

    assert back == pytest.approx(gravity, abs=1e-12)


@given(gravity=st.floats(0.96, 1.15), cold=st.floats(4.0, 40.0), warm=st.floats(4.0, 40.0))
def test_the_warmer_the_must_the_more_is_added(gravity, cold, warm):
    cold, warm = sorted((cold, warm))
    if warm - cold < 1e-3:
        return

    assert density.gravity_20_from_reading(gravity, cold) < density.gravity_20_from_reading(gravity, warm)


@given(gravity=st.floats(0.97, 1.19), celsius=st.floats(0.0, 40.0))
def test_the_correction_is_upwards_when_warm_downwards_when_cool_and_none_at_the_scales_temperature(
    gravity, celsius
):
    corrected = density.gravity_20_from_reading(gravity, celsius)

    assert density.gravity_20_from_reading(gravity, 20.0) == gravity
    if celsius > 20.0 + 1e-6:
        assert corrected > gravity
    elif celsius < 20.0 - 1e-6:
        assert corrected < gravity


@given(gravity=st.floats(0.985, 1.15), celsius=st.floats(0.0, 40.0), abv=st.floats(0.0, 14.0))
def test_a_liquids_own_expansion_cancels_too(gravity, celsius, abv):
    shown = expansion.liquid_density_kg_per_m3(gravity, celsius, abv_percent=abv) / density.WATER_20_KG_PER_M3

    assert expansion.gravity_20_of_liquid(shown, celsius, abv_percent=abv) == pytest.approx(gravity, abs=1e-9)


@given(start=st.floats(1.03, 1.15), fall=st.floats(0.0, 0.13), more=st.floats(1e-5, 0.02))
def test_the_further_gravity_falls_the_more_alcohol_and_the_less_sugar(start, fall, more):
    now, later = start - fall, start - fall - more
    if later < 0.95:
        return

    assert alcohol.abv_percent(start, later) > alcohol.abv_percent(start, now)
    assert alcohol.residual_sugar_g_per_l(start, later) <= alcohol.residual_sugar_g_per_l(start, now)


@given(start=st.floats(1.03, 1.15), share=st.floats(0.0, 1.0))
def test_the_range_of_alcohol_holds_every_method(start, share):
    result = alcohol.alcohol(start, start - share * min(0.13, start - 0.96))
    low, high = result.abv_range_percent

    assert 0.0 <= low <= result.abv_percent <= high
    assert all(low - 1e-12 <= abv <= high + 1e-12 for abv in result.by_method.values())
    least, most = result.residual_range_g_per_l
    assert 0.0 <= least <= result.residual_sugar_g_per_l <= most


@given(ph=st.floats(2.5, 4.5), molecular=st.floats(0.1, 2.0), pka=st.floats(1.7, 2.1))
def test_free_and_molecular_so2_cancel(ph, molecular, pka):
    free = sulfite.free_so2_mg_per_l(molecular, ph, pka=pka)
    if free > 1000:
        return

    assert free * sulfite.molecular_fraction(ph, pka=pka) == pytest.approx(molecular, rel=1e-12)


@given(litres=st.floats(1, 1000), low=st.floats(1.01, 1.15), lift=st.floats(0.0, 0.04))
def test_sugar_and_then_water_bring_a_must_back(litres, low, lift):
    up = enrichment.sugar_to_reach(litres, low, low + lift)
    down = enrichment.water_to_reach(up.final_litres, low + lift, low)

    assert up.final_litres >= litres - 1e-9
    assert up.grams >= 0
    # Sugar stays in, so the volume grows by what it weighs at the first strength.
    sugar_then = litres * sugar.sugar_g_per_l_from_gravity(low) + up.grams
    assert down.final_litres * sugar.sugar_g_per_l_from_gravity(low) == pytest.approx(sugar_then, rel=1e-9)


# What it is called, and what holds it in range.
REFUSING = [
    ("temperature", lambda v: density.water_density_kg_per_m3(v), 0.0, 60.0),
    ("gravity", lambda v: density.gravity_20_from_reading(v, 20.0), 0.90, 1.30),
    ("gravity", lambda v: sugar.brix_from_gravity(v), 0.95, 1.20),
    ("sugar", lambda v: sugar.gravity_from_brix(v), -14.0, 50.0),
    ("alcohol", lambda v: ethanol.mass_fraction_from_abv_percent(v), 0.0, 100.0),
    ("gravity", lambda v: alcohol.abv_percent(1.09, v), 0.95, 1.20),
    ("sugar", lambda v: alcohol.potential_abv_percent(v), 0.0, 600.0),
    ("pH", lambda v: sulfite.molecular_fraction(v), 2.5, 4.5),
    ("volume", lambda v: sulfite.salt_g(30.0, v), 0.001, 1e6),
    ("volume", lambda v: enrichment.sugar_to_reach(v, 1.07, 1.09), 0.001, 1e6),
]


@pytest.mark.parametrize(("name", "call", "low", "high"), REFUSING)
@given(value=WIDE)
def test_a_value_is_taken_within_its_range_and_refused_in_one_line_outside(name, call, low, high, value):
    if low <= value <= high:
        call(value)
        return
    with pytest.raises(OutOfRangeError) as refused:
        call(value)

    line = str(refused.value)
    assert "\n" not in line
    assert name in line
    assert "expected" in line
    if math.isfinite(value) and abs(value) < 1e4:
        assert f"{value:g}" in line
