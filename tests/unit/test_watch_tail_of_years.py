"""A wine matures for years with its float in it: the tail of its ferment fades to nothing, and that is no fault."""

import pytest

from mustwatch.watch.phases import Now, TailModel

QUARTER_DAYS = 1 / 96


@pytest.mark.parametrize("pace", [0.05, 0.2, 1.0, 3.0])
def test_after_years_nothing_is_left_to_fall(pace: float) -> None:
    model = TailModel(pace, 0.0)
    model.begin(0.994, 0.002, Now(1.000, 0.0008, -0.004, 0.0005))

    for quarter in range(3 * 365 * 96):
        model.advance(QUARTER_DAYS)
        if quarter % 4 == 0:
            model.update(0.994, 2e-6)

    assert model.above(0.0005) < 1e-6
    assert model.level == pytest.approx(0.994, abs=1e-3)


@pytest.mark.parametrize("pace", [0.2, 1.0, 3.0])
def test_after_a_silence_of_years_nothing_is_left_to_fall(pace: float) -> None:
    model = TailModel(pace, 0.0)
    model.begin(0.994, 0.002, Now(1.000, 0.0008, -0.004, 0.0005))

    model.advance(3 * 365.0)
    model.update(0.994, 2e-6)

    assert model.above(0.0005) == 0.0
