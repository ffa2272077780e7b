"""What holds for every simulated ferment, whatever is drawn."""

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mustsim.cellar import run
from mustsim.encode import Said, json_object, senml_pack
from mustsim.ferment import Must, Yeast, simulate
from mustsim.scenario import load, shipped_names
from mustsim.vary import randomised

MUSTS = st.builds(
    Must,
    gravity=st.floats(1.040, 1.120),
    extract_g_per_l=st.floats(5, 30),
    yan_mg_per_l=st.floats(40, 350),
)
YEASTS = st.builds(
    Yeast,
    inoculum_g_per_l=st.floats(0.05, 0.6),
    vigour=st.floats(0.3, 1.2),
    lag_h=st.floats(0, 120),
    death=st.floats(0.5, 12),
    stall_gravity=st.none() | st.floats(0.995, 1.06),
)


@settings(max_examples=30, deadline=None)
@given(MUSTS, YEASTS, st.floats(2, 42))
def test_a_ferment_left_alone_only_ever_falls_and_keeps_its_books(must, yeast, celsius):
    curve = simulate(must, yeast, celsius, 14)

    assert curve.gravity[0] == pytest.approx(must.gravity, abs=1e-6)
    assert (np.diff(curve.gravity) <= 1e-12).all()
    assert (curve.sugar_g_per_l >= 0).all()
    assert (curve.living_g_per_l >= 0).all()
    assert (curve.nitrogen_g_per_l >= 0).all()
    gone = curve.sugar_g_per_l[0] - curve.sugar_g_per_l
    assert np.allclose(curve.ethanol_g_per_l, 0.47 * gone, atol=1e-6)


@settings(max_examples=20, deadline=None)
@given(MUSTS, YEASTS, st.floats(8, 38))
def test_half_the_step_gives_the_same_course(must, yeast, celsius):
    whole, half = (simulate(must, yeast, celsius, 10, step) for step in (0.25, 0.125))

    # A forced stall is noticed at the end of a step, so it may set in a quarter of an hour later.
    allowed = 5e-5 if yeast.stall_gravity is None else 1e-3
    assert np.abs(whole.gravity - half.gravity[::2]).max() < allowed


@settings(max_examples=20, deadline=None)
@given(st.sampled_from(shipped_names()), st.integers(0, 2**32))
def test_every_variation_of_every_scenario_is_believable_and_repeatable(name, number):
    scenario = randomised(load(name), np.random.default_rng(number))
    cellar = run(scenario, number)

    assert cellar.messages == run(scenario, number).messages
    for lot in cellar.truth.lots.values():
        assert lot.gravity.min() > 0.975
        assert lot.gravity.max() < 1.125
        assert lot.temperature_c.min() > 0
        assert lot.temperature_c.max() < 42
        assert lot.first("onset") is not None
        assert lot.events == tuple(sorted(lot.events, key=lambda e: e.at_ms))


# Families and the one event without which a variation would not belong to them.
DEFINING = {
    "healthy-white": "end", "warm-red": "end", "kit": "end", "stuck-cold": "stall", "stuck-heat": "stall",
    "stuck-nutrient": "stall", "stuck-forced": "stall", "sluggish": "end", "late-onset": "end",
    "cold-nights": "too-cold", "heat-wave": "too-warm", "refermenting": "resume", "racking": "end",
    "topping-up": "end", "sugar-in-steps": "end", "lid-left-off": "fast-change", "two-floats": "end",
}  # fmt: skip


@settings(max_examples=40, deadline=None)
@given(st.sampled_from(sorted(DEFINING)), st.integers(0, 2**32))
def test_a_variation_stays_in_its_family(name, number):
    (lot,) = run(randomised(load(name), np.random.default_rng(number)), number).truth.lots.values()

    assert lot.first(DEFINING[name]) is not None
    assert (lot.first("stall") is not None) == name.startswith("stuck")


VALUES = st.fixed_dictionaries(
    {"gravity": st.floats(0.95, 1.2), "temperature": st.floats(-20, 60)},
    optional={"battery": st.floats(0, 12)},
)
TIMES = st.integers(1_500_000_000_000, 2_500_000_000_000)


def resolved(pack):
    """Resolve a SenML pack as RFC 8428 section 4.6 says: base name before the name, base time added to the time."""
    name, time_s = "", 0.0
    for record in pack:
        name, time_s = record.get("bn", name), record.get("bt", time_s)
        yield name + record["n"], record["u"], time_s + record.get("t", 0.0), record["v"]


@given(st.lists(st.tuples(TIMES, VALUES), min_size=1, max_size=5))
def test_a_pack_resolves_to_exactly_what_was_said(said):
    pack = json.loads(senml_pack("float-1", [Said(at_ms, values) for at_ms, values in said]))

    expected = [
        (f"float-1/{quantity}", at_ms, value) for at_ms, values in said for quantity, value in values.items()
    ]
    found = list(resolved(pack))
    assert [name for name, *_ in found] == [name for name, *_ in expected]
    assert [round(1000 * t) for _, _, t, _ in found] == [at for _, at, _ in expected]
    assert all(abs(v - value) <= 0.0051 for (*_, v), (*_, value) in zip(found, expected, strict=True))


PATHS = st.lists(st.sampled_from(["a", "b", "0", "1", "data"]), min_size=1, max_size=3).map(".".join)


@given(TIMES, VALUES, PATHS)
def test_json_stands_where_the_path_leads(at_ms, values, path):
    document = json.loads(json_object({"gravity": {"path": f"x.{path}", "unit": "SG"}}, Said(at_ms, values)))

    here = document["x"]
    for part in path.split("."):
        here = here[int(part)] if isinstance(here, list) else here[part]
    assert here == pytest.approx(values["gravity"], abs=5.1e-5)
