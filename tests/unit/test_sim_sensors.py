"""Simulated floats and probes: what they make of the truth, and how they fail."""

from dataclasses import replace

import numpy as np
import pytest

from mustsim.delivery import deliveries
from mustsim.density import shown_gravity
from mustsim.sensors import Fault, FaultKind, Sensor, Surroundings, inclination, instants, read

PERFECT = Sensor(
    "float", vessel="v", noise=0, wander=0, quantum=0, cross_per_k=0, co2_lift=0, spikes=0, temperature_noise_c=0,
    temperature_quantum_c=0, temperature_lag_min=0, drops=0, duplicates=0, late=0, jitter_s=0,
)  # fmt: skip
PROBE = replace(PERFECT, id="probe", kind="probe")
HOURS = np.arange(0.25, 240, 0.25)


def around(celsius=20.0, rate=-0.02):
    ones = np.ones_like(HOURS)
    gravity = 1.080 - 0.02 / 24 * HOURS
    return Surroundings(HOURS, gravity, rate * ones, celsius * ones, np.ones(HOURS.size, dtype=bool))


def shown(sensor, faults=(), where=None, seed=1):
    return read(sensor, where or around(), tuple(faults), np.random.default_rng(seed))


def test_a_perfect_float_in_a_must_of_20_degrees_shows_the_truth():
    assert np.allclose(shown(PERFECT)["gravity"], around().gravity, atol=1e-12)


def test_in_a_warm_must_it_shows_less_by_the_water_ratio():
    warm = shown(PERFECT, where=around(30.0))["gravity"]

    assert np.allclose(warm, shown_gravity(around().gravity, np.full(HOURS.size, 30.0)))
    assert (warm < around().gravity - 0.002).all()


def test_a_compensated_float_shows_the_same_at_any_temperature():
    sensor = replace(PERFECT, reports="compensated")

    assert np.allclose(shown(sensor, where=around(30.0))["gravity"], around().gravity)


def test_a_tilting_float_shows_degrees_that_rise_with_gravity():
    inclined = shown(replace(PERFECT, reports="inclination"))

    assert "gravity" not in inclined
    assert (np.diff(inclined["inclination_deg"]) < 0).all()
    assert inclination(PERFECT, np.array([1.0]))[0] == pytest.approx(PERFECT.inclines[0])


def test_its_noise_is_what_it_is_said_to_be():
    error = shown(replace(PERFECT, noise=0.002))["gravity"] - around().gravity

    assert error.std() == pytest.approx(0.002, rel=0.1)
    assert abs(error.mean()) < 0.0003


def test_its_steps_are_as_coarse_as_it_is_said_to_be():
    gravity = shown(replace(PERFECT, quantum=0.001))["gravity"]

    assert np.allclose(gravity * 1000, np.round(gravity * 1000), atol=1e-6)


def test_cross_sensitivity_errs_by_kelvin_from_20():
    sensor = replace(PERFECT, reports="compensated", cross_per_k=0.0001)

    assert np.allclose(shown(sensor, where=around(26.0))["gravity"] - around().gravity, 0.0006)


def test_bubbles_disturb_single_readings_mostly_upwards_and_only_while_it_is_lively():
    sensor = replace(PERFECT, spikes=0.1)
    error = shown(sensor)["gravity"] - around().gravity
    hit = np.abs(error) > 1e-9

    assert 0.05 < hit.mean() < 0.16
    assert (error[hit] > 0).mean() > 0.6
    assert np.allclose(shown(sensor, where=around(rate=0.0))["gravity"], around().gravity)


def test_a_probe_says_no_gravity():
    assert set(shown(PROBE)) == {"temperature_c", "battery_v"}


def test_without_a_battery_it_says_nothing_of_one():
    assert "battery_v" not in shown(replace(PERFECT, battery_v=None))


def test_its_signal_wavers_around_what_it_usually_is():
    signal = shown(replace(PERFECT, signal_dbm=-63.0))["signal_dbm"]

    assert signal.mean() == pytest.approx(-63, abs=1)
    assert 1.5 < signal.std() < 4.5


class TestFaults:
    def test_a_frozen_float_repeats_itself_while_its_thermometer_goes_on(self):
        warming = replace_temperature(around(), 18 + 0.02 * HOURS)
        said = shown(replace(PERFECT, noise=0.002), [Fault(FaultKind.FREEZES, from_day=3)], warming)
        after = HOURS >= 72

        assert np.ptp(said["gravity"][after]) == 0
        assert np.ptp(said["gravity"][~after]) > 0.05
        assert np.ptp(said["temperature_c"][after]) > 3

    def test_a_float_frozen_whole_repeats_its_temperature_too(self):
        warming = replace_temperature(around(), 18 + 0.02 * HOURS)
        said = shown(PERFECT, [Fault(FaultKind.FREEZES_WHOLE, from_day=3)], warming)

        assert np.ptp(said["temperature_c"][HOURS >= 72]) == 0

    def test_a_frozen_probe_repeats_its_temperature(self):
        warming = replace_temperature(around(), 18 + 0.02 * HOURS)
        said = shown(PROBE, [Fault(FaultKind.FREEZES, from_day=3, hours=24)], warming)["temperature_c"]

        assert np.ptp(said[(HOURS >= 72) & (HOURS < 96)]) == 0
        assert np.ptp(said[HOURS >= 96]) > 2

    def test_foam_holds_the_float_too_high(self):
        said = shown(PERFECT, [Fault(FaultKind.FOAM, from_day=2, hours=8, by=0.004)])["gravity"]
        window = (HOURS >= 48) & (HOURS < 56)

        assert np.ptp(said[window]) == 0
        assert said[window][0] - around().gravity[window][0] == pytest.approx(0.004)
        assert np.allclose(said[~window], around().gravity[~window])

    def test_drift_grows_by_the_day(self):
        error = (
            shown(PERFECT, [Fault(FaultKind.DRIFT, from_day=2, per_day=0.001)])["gravity"] - around().gravity
        )

        assert np.allclose(error[HOURS <= 48], 0, atol=1e-12)
        assert np.interp(48 + 72, HOURS, error) == pytest.approx(0.003)

    def test_a_dying_battery_falls_to_three_volts(self):
        volts = shown(PERFECT, [Fault(FaultKind.BATTERY, from_day=2, hours=96)])["battery_v"]

        assert np.interp(40, HOURS, volts) > 3.9
        assert np.interp(144, HOURS, volts) == pytest.approx(3.0, abs=0.03)

    def test_out_of_the_wine_it_shows_nonsense(self):
        out = replace_in_wine(around(), HOURS < 100)
        gravity = shown(PERFECT, where=out)["gravity"]

        assert gravity[HOURS >= 100].std() > 0.05


class TestDelivery:
    def sent(self, sensor=PERFECT, faults=(), volts=None, seed=1):
        return deliveries(sensor, HOURS, volts, tuple(faults), np.random.default_rng(seed))

    def test_everything_arrives_within_seconds(self):
        sent = self.sent()

        assert [indices for _, indices in sent] == [[i] for i in range(HOURS.size)]
        assert all(0 < at - HOURS[i] < 3 / 3600 for at, (i,) in sent)

    def test_after_an_outage_what_was_kept_comes_in_a_burst_in_its_order(self):
        sent = self.sent(faults=[Fault(FaultKind.OUTAGE, from_day=2, hours=12)])
        late = [(at, i) for at, (i,) in sent if at - HOURS[i] > 0.1]

        assert len(sent) == HOURS.size
        assert 46 <= len(late) <= 49
        assert all(60.0 <= at < 60.1 for at, _ in late)
        assert [i for _, i in late] == sorted(i for _, i in late)

    def test_what_was_not_kept_is_lost(self):
        sent = self.sent(faults=[Fault(FaultKind.OUTAGE, from_day=2, hours=12, kept=False)])

        assert HOURS.size - 49 <= len(sent) <= HOURS.size - 46

    def test_a_sensor_of_bare_numbers_keeps_nothing_as_it_could_not_date_it(self):
        sent = self.sent(replace(PERFECT, form="number"), [Fault(FaultKind.OUTAGE, from_day=2, hours=12)])

        assert len(sent) < HOURS.size - 40

    def test_a_dead_float_says_nothing_more(self):
        assert max(at for at, _ in self.sent(faults=[Fault(FaultKind.DIES, from_day=4)])) < 96

    def test_as_the_voltage_falls_readings_become_rare_and_then_end(self):
        volts = 4.0 - 0.5 * np.clip((HOURS - 48) / 48, 0, 2)
        at = np.array([HOURS[i] for _, (i,) in self.sent(volts=volts)])

        assert (at < 48).sum() == (HOURS < 48).sum()
        assert 0 < ((at > 115) & (at < 135)).sum() < 60
        assert (at > 140).sum() == 0

    def test_duplicates_and_drops_come_in_their_shares(self):
        sent = self.sent(replace(PERFECT, duplicates=0.2, drops=0.1))
        often = [i for _, (i,) in sent]

        assert 0.85 < len(set(often)) / HOURS.size < 0.95
        assert 0.1 < (len(often) - len(set(often))) / len(set(often)) < 0.3

    def test_a_pack_carries_several_readings_and_goes_with_the_last(self):
        sent = self.sent(replace(PERFECT, pack=4))

        assert sent[0][1] == [0, 1, 2, 3]
        assert sent[0][0] > HOURS[3]


def test_instants_keep_to_the_interval_and_begin_when_switched_on():
    at = instants(replace(PERFECT, interval_min=30, jitter_s=20, from_day=2), 10, np.random.default_rng(3))

    assert at[0] >= 48
    assert np.diff(at).min() > 29 / 60
    assert np.diff(at).max() < 31 / 60


def replace_temperature(where, temperature):
    return replace(where, temperature_c=temperature)


def replace_in_wine(where, in_wine):
    return replace(where, in_wine=in_wine)
