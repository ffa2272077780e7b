"""The simulated room and vessel: day and night, weather, spells, and heat given and taken."""

import numpy as np
import pytest

from mustsim.room import Room, Spell, room_temperature, wander
from mustsim.vessel import HEAT_CAPACITY_J_PER_L_K, Vessel, temperature_after

HOURS = np.arange(0, 24 * 10, 0.25)
STILL = Room(mean_c=18, day_swing_c=4, warmest_hour=16, weather_sd_c=0)


def rng():
    return np.random.default_rng(1)


def test_a_room_is_warmest_in_the_afternoon_and_coldest_before_dawn():
    temperature = room_temperature(STILL, HOURS, 0.0, rng())[:96]

    assert HOURS[np.argmax(temperature)] == 16
    assert HOURS[np.argmin(temperature)] == 4
    assert temperature.max() - temperature.min() == pytest.approx(4)


def test_the_day_is_the_local_one_whenever_the_scenario_begins():
    from_noon = room_temperature(STILL, HOURS, 12.0, rng())

    assert HOURS[np.argmax(from_noon[:96])] == 4


def test_weather_has_the_size_and_the_memory_it_is_given():
    hours = np.arange(0, 24 * 2000, 1.0)
    noise = wander(hours, 0.8, 18.0, rng())

    assert noise.std() == pytest.approx(0.8, abs=0.05)
    after_18_h = np.corrcoef(noise[:-18], noise[18:])[0, 1]
    assert after_18_h == pytest.approx(np.exp(-1), abs=0.06)


def test_no_weather_is_no_weather():
    assert (wander(HOURS, 0.0, 18.0, rng()) == 0).all()


def test_a_spell_comes_and_goes_by_its_ramp():
    room = Room(mean_c=18, day_swing_c=0, weather_sd_c=0, spells=(Spell(2.0, 4.0, -6.0, ramp_h=4.0),))
    temperature = room_temperature(room, HOURS, 0.0, rng())
    at = dict(zip(HOURS.tolist(), temperature.tolist(), strict=True))

    assert at[48.0] == pytest.approx(18)
    assert at[50.0] == pytest.approx(15)
    assert at[72.0] == pytest.approx(12)
    assert at[96.0] == pytest.approx(18)


def test_a_cold_night_is_over_in_the_morning():
    spell = Spell(1.0, 5.0, -8.0, nights_only=True, ramp_h=2.0)
    temperature = room_temperature(
        Room(mean_c=18, day_swing_c=0, weather_sd_c=0, spells=(spell,)), HOURS, 0.0, rng()
    )
    at = dict(zip(HOURS.tolist(), temperature.tolist(), strict=True))

    assert at[48.0 + 2] == pytest.approx(10)
    assert at[48.0 + 12] == pytest.approx(18)


class TestVessel:
    BUCKET = Vessel("bucket", loss_w_per_k=3.0)

    def test_without_heat_it_goes_to_the_rooms_temperature(self):
        assert temperature_after(self.BUCKET, 20, 25.0, 15.0, 0.0, 1000.0) == pytest.approx(15.0)

    def test_after_its_time_constant_two_thirds_of_the_way_are_done(self):
        hours = 20 * HEAT_CAPACITY_J_PER_L_K / 3.0 / 3600.0

        assert temperature_after(self.BUCKET, 20, 25.0, 15.0, 0.0, hours) == pytest.approx(
            15 + 10 * np.exp(-1)
        )

    def test_a_ferment_settles_above_the_room_by_its_heat_over_the_loss(self):
        assert temperature_after(self.BUCKET, 20, 15.0, 15.0, 12.0, 1000.0) == pytest.approx(19.0)

    def test_one_long_step_is_as_good_as_many_short_ones(self):
        stepwise = 25.0
        for _ in range(20):
            stepwise = temperature_after(self.BUCKET, 20, stepwise, 15.0, 6.0, 0.25)

        assert stepwise == pytest.approx(temperature_after(self.BUCKET, 20, 25.0, 15.0, 6.0, 5.0))

    def test_the_lid_off_cools_it_faster(self):
        closed = temperature_after(self.BUCKET, 20, 25.0, 5.0, 0.0, 1.0)

        assert temperature_after(self.BUCKET, 20, 25.0, 5.0, 0.0, 1.0, loss_factor=3.0) < closed - 1

    def test_a_bigger_vessel_holds_its_heat_longer(self):
        small, big = (temperature_after(Vessel("v"), litres, 25.0, 15.0, 0.0, 6.0) for litres in (5, 50))

        assert big > small + 2

    def test_a_belt_keeps_it_near_its_mark(self):
        belt = Vessel("belt", loss_w_per_k=3.0, heat_below_c=20.0, heat_w=40.0)
        temperature = 12.0
        for _ in range(400):
            temperature = temperature_after(belt, 20, temperature, 12.0, 0.0, 0.25)

        assert temperature == pytest.approx(20.0, abs=0.3)

    def test_a_cooler_keeps_it_near_its_mark(self):
        cooled = Vessel("cooled", loss_w_per_k=3.0, cool_above_c=25.0, cool_w=60.0)
        temperature = 22.0
        for _ in range(400):
            temperature = temperature_after(cooled, 50, temperature, 25.0, 30.0, 0.25)

        assert temperature == pytest.approx(25.0, abs=0.3)
