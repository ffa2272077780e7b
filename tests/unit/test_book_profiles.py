"""Profiles: the shipped ones say what the design says, own ones differ where they say so, faults are named."""

from pathlib import Path

import pytest

from mustwatch.cellar.profile import Band, Profile, Stage
from mustwatch.config.profiles import ProfileError, load_profile, overridden, profile_names


def test_the_default_profile_has_the_designs_numbers() -> None:
    """Band 15-26 °C (10 and 32 urgent), racking at 1.010, dry at 0.998, settled over 48 h: common practice."""
    profile = load_profile("default")

    assert profile.band == Band(15.0, 26.0, 10.0, 32.0)
    assert (profile.racking_gravity, profile.dry_gravity, profile.settled_hours) == (1.010, 0.998, 48.0)
    assert {f: getattr(profile, f) for f in ("onset_hours", "dwell_minutes", "night_swing_c")} == {
        f: getattr(Profile(), f) for f in ("onset_hours", "dwell_minutes", "night_swing_c")
    }


def test_the_shipped_profiles_are_there() -> None:
    assert set(profile_names()) >= {"default", "kit", "red", "white", "country", "cider", "mead"}


@pytest.mark.parametrize("name", profile_names())
def test_every_step_of_a_shipped_profile_says_why_and_what_marks_it_done(name: str) -> None:
    for step in load_profile(name).steps:
        assert step.do
        assert step.why
        assert step.source == "common practice"
        assert sum(
            x is not None for x in (step.done_by, step.repeat_days, step.lasts_days)
        ) >= 1 or step.id in (
            "degas",
            "malolactic",
        )


def own(folder: Path, name: str, text: str) -> Path:
    (folder / f"{name}.toml").write_text(text, encoding="utf-8")
    return folder


def test_an_own_profile_states_only_what_differs(tmp_path: Path) -> None:
    own(
        tmp_path,
        "cool",
        'like = "white"\ntitle = "Cool white"\nracking_gravity = 1.02\n[band]\nhigh_c = 17\n',
    )

    profile = load_profile("cool", tmp_path)

    assert (profile.name, profile.title, profile.racking_gravity) == ("cool", "Cool white", 1.02)
    assert profile.band == Band(12.0, 17.0, 8.0, 26.0)
    assert profile.steps == load_profile("white").steps
    assert "cool" in profile_names(tmp_path)


def test_an_own_profile_may_take_a_shipped_ones_place_and_build_on_it(tmp_path: Path) -> None:
    own(tmp_path, "kit", 'like = "kit"\nsettled_hours = 72\n')

    assert load_profile("kit", tmp_path).settled_hours == 72.0
    assert load_profile("kit", tmp_path).steps == load_profile("kit").steps


STEP = '[[step]]\nid = "a"\ndo = "d"\nwhy = "w"\nstage = "primary"\n'
FAULTS = [
    ("racking_gravity = 105\n", "racking_gravity = 105: expected a number from 0.95 to 1.2"),
    ('racking_gravity = "1.010"\n', "racking_gravity = '1.010': expected a number"),
    ("dry_gravity = 1.020\n", "dry_gravity = 1.02: expected less than racking_gravity = 1.01"),
    ("rackin_gravity = 1.01\n", "rackin_gravity = 1.01: expected one of the keys like, title"),
    ("[band]\nlow = 3\n", "band.low = 3: expected one of the keys low_c"),
    ("[band]\nlow_c = 30\n", "band = (10.0, 30.0, 26.0, 32.0): expected urgent_low_c <= low_c < high_c"),
    ("[bands.ageing]\nlow_c = 3\n", "bands = 'ageing': expected one of primary"),
    ("title = 3\n", "title = 3: expected some words"),
    ("band = 3\n", "band = 3: expected a table [band]"),
    (STEP + 'after = "b"\n', "step 'a' after = 'b': expected one of start, a, "),
    (
        STEP + 'requires = ["finnished"]\n',
        "step 'a' requires = 'finnished': expected one of finished, checked",
    ),
    (STEP + 'finding = "rack"\n', "step 'a' finding = 'rack': expected one of battery-low"),
    (STEP + 'done_by = "racking"\n', "step 'a' done_by = 'racking': expected one of start, measure, rack"),
    (STEP + 'stages = "x"\n', "step 'a' stages = 'x': expected one of the keys id"),
    (STEP + "days = -1\n", "step 'a' days = -1: expected a number from 0 to 3650"),
    (STEP + STEP, "step 2 id = 'a': expected an id that no other step has"),
    ('[[step]]\nid = "a"\n', "step 'a' do = None: expected to be there"),
    ("step = 3\n", "step = 3: expected tables [[step]]"),
    ("x = [\n", "cannot be read as TOML"),
    ('like = "own"\n', "like = 'own' is the profile itself"),
    ('like = "nothing"\n', "profile 'nothing' is unknown: expected one of cider, country"),
]


@pytest.mark.parametrize(("text", "words"), FAULTS, ids=[words[:30] for _, words in FAULTS])
def test_a_fault_is_named_by_file_key_value_and_what_was_expected(
    tmp_path: Path, text: str, words: str
) -> None:
    own(tmp_path, "own", text)

    with pytest.raises(ProfileError) as caught:
        load_profile("own", tmp_path)

    assert words in str(caught.value)
    assert "own" in str(caught.value) or "nothing" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_profiles_that_are_like_each_other_are_refused(tmp_path: Path) -> None:
    own(tmp_path, "a", 'like = "b"\n')
    own(tmp_path, "b", 'like = "a"\n')

    with pytest.raises(ProfileError, match="the profile itself"):
        load_profile("a", tmp_path)


def test_a_lot_overrides_its_profile_and_its_yeast_moves_the_band_while_it_works() -> None:
    profile = overridden(
        load_profile("default"), {"racking_gravity": 1.02}, {"low_c": 8.0, "high_c": 14.0}, "lot.x"
    )

    assert profile.racking_gravity == 1.02
    assert profile.band_in(Stage.PRIMARY) == Band(8.0, 14.0, 8.0, 32.0)
    assert profile.band_in(Stage.MATURING) == load_profile("default").band_in(Stage.MATURING)


def test_a_wrong_override_is_named_by_its_lot() -> None:
    with pytest.raises(ProfileError, match=r"lot\.x: settled_hours = 'long': expected a number"):
        overridden(Profile(), {"settled_hours": "long"}, {}, "lot.x")
