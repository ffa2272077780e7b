"""A whole simulated cellar: the same for the same seed, and every family shows what it is about."""

import json
import time
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from mustsim.cellar import Message, run, stream
from mustsim.scenario import load, shipped_names
from mustsim.truth import Done
from truths import still_to_fall

DAY_MS = 86_400_000


@cache
def simulated(name, seed=1):
    """Return a cellar; the same one each time, as nothing changes it."""
    return run(load(name), seed)


def only_lot(cellar):
    return next(iter(cellar.truth.lots.values()))


def kinds(cellar):
    return {event.kind for event in only_lot(cellar).events}


def readings(cellar, sensor):
    """Return (instant, value by name) of every SenML record a sensor sent, each instant once."""
    said: dict[float, dict[str, float]] = {}
    for message in cellar.messages:
        if message.sensor == sensor:
            records = json.loads(message.payload)
            for record in records:
                at_ms = round(1000 * (records[0]["bt"] + record.get("t", 0)))
                said.setdefault(at_ms, {})[record["n"]] = record["v"]
    return sorted(said.items())


def test_the_same_scenario_and_seed_give_the_same_cellar():
    first, second = (run(load("outages"), seed=7) for _ in range(2))

    assert first.messages == second.messages
    assert first.truth.as_json() == second.truth.as_json()


def test_another_seed_gives_another():
    assert simulated("kit").messages != run(load("kit"), 2).messages


def test_one_more_sensor_leaves_the_others_as_they_were():
    scenario = load("kit")
    more = replace(scenario, sensors=(*scenario.sensors, replace(scenario.sensors[0], id="second")))
    alone, both = run(scenario, 3), run(more, 3)

    assert alone.messages == [m for m in both.messages if m.sensor == "kit-float"]


@pytest.mark.parametrize("name", shipped_names())
def test_messages_come_in_the_order_in_which_they_were_sent(name):
    cellar = simulated(name)
    sent = [message.sent_ms for message in cellar.messages]

    assert sent == sorted(sent)
    assert all(m.observed_ms < m.sent_ms for m in cellar.messages)


# What each family is about: the events its lot must show, and those it must not.
SHOWS = {
    "kit": ({"onset", "crossing", "end"}, {"stall", "too-cold", "too-warm"}),
    "healthy-white": ({"onset", "crossing", "end"}, {"stall", "too-cold", "too-warm"}),
    "warm-red": ({"onset", "crossing", "end"}, {"stall", "too-warm"}),
    "stuck-forced": ({"onset", "stall"}, {"end"}),
    "stuck-cold": ({"onset", "stall", "too-cold", "urgent-cold"}, {"end"}),
    "stuck-heat": ({"onset", "stall", "too-warm", "urgent-warm"}, {"end"}),
    "stuck-nutrient": ({"onset", "stall", "slow"}, {"end"}),
    "sluggish": ({"onset", "slow", "end"}, {"stall"}),
    "late-onset": ({"onset", "end"}, {"stall"}),
    "cold-nights": ({"too-cold", "urgent-cold", "end"}, {"stall"}),
    "heat-wave": ({"too-warm", "urgent-warm", "end"}, {"stall"}),
    "refermenting": ({"pause", "resume", "end"}, {"stall"}),
    "lid-left-off": ({"fast-change", "too-cold", "end"}, {"stall"}),
}


@pytest.mark.parametrize("name", SHOWS)
def test_a_family_shows_what_it_is_about(name):
    must, must_not = SHOWS[name]
    found = kinds(simulated(name))

    assert must <= found
    assert not must_not & found


def test_the_late_one_shows_nothing_for_more_than_four_days():
    cellar = simulated("late-onset")

    assert only_lot(cellar).first("onset").at_ms - cellar.begins_ms > 4 * DAY_MS


def test_the_refermenting_one_rests_for_a_week_looking_dry_and_then_falls_by_more_than_0_003():
    lot = only_lot(simulated("refermenting"))
    pause = lot.first("pause")

    assert pause.until_ms - pause.at_ms > 7 * DAY_MS
    assert pause.value < 0.998
    assert still_to_fall(lot, pause.until_ms) > 0.003


def test_the_float_that_dies_falls_silent_and_the_probe_does_not():
    cellar = simulated("float-dies")
    died = next(e for e in cellar.truth.sensors if e.kind == "dies")

    assert max(m.observed_ms for m in cellar.messages if m.sensor == "float") <= died.at_ms
    assert max(m.observed_ms for m in cellar.messages if m.sensor == "probe") > died.at_ms + 5 * DAY_MS


def test_the_float_that_freezes_repeats_one_gravity_while_the_wine_goes_on():
    cellar = simulated("float-freezes")
    froze = next(e for e in cellar.truth.sensors if e.kind == "freezes")
    after = {said["gravity"] for at_ms, said in readings(cellar, "float") if at_ms > froze.at_ms}

    assert len(after) == 1
    assert still_to_fall(only_lot(cellar), froze.at_ms) > 0.02


def test_after_an_outage_readings_arrive_hours_late_and_in_a_burst():
    cellar = simulated("outages")
    late = [m for m in cellar.messages if m.sent_ms - m.observed_ms > 5 * 3_600_000]

    assert len(late) > 20
    assert max(m.sent_ms for m in late) - min(m.sent_ms for m in late) < 3 * DAY_MS


class TestPeople:
    def test_a_racking_lifts_the_float_out_and_puts_it_into_the_next_vessel(self):
        cellar = simulated("racking")
        racking = next(d for d in cellar.truth.actions if d.what == "rack")
        lot = only_lot(cellar)
        out = [s["gravity"] for t, s in readings(cellar, "float") if 0 <= t - racking.at_ms < 35 * 60_000]
        then = [
            (t, s["gravity"])
            for t, s in readings(cellar, "float")
            if 36 * 60_000 < t - racking.at_ms < DAY_MS
        ]

        assert racking.floats == ("float",)
        assert (racking.vessel, racking.to_vessel) == ("bucket", "carboy")
        assert len(out) >= 2
        assert np.median(np.abs(np.array(out) - float(lot.gravity_at(racking.at_ms)))) > 0.02
        errors = [gravity - float(lot.gravity_at(at_ms)) for at_ms, gravity in then]
        assert abs(np.median(errors)) < 0.001

    def test_the_probe_left_behind_reads_the_room(self):
        cellar = simulated("racking")
        racking = next(d for d in cellar.truth.actions if d.what == "rack")
        celsius = [
            s["temperature"] for t, s in readings(cellar, "bucket-probe") if t > racking.at_ms + DAY_MS
        ]
        hours = (only_lot(cellar).t_ms - cellar.begins_ms) > racking.at_ms + DAY_MS - cellar.begins_ms

        assert np.mean(celsius) == pytest.approx(cellar.truth.rooms["pantry"][hours].mean(), abs=0.2)

    def test_people_act_by_day_only(self):
        for seed in range(1, 4):
            for done in simulated("racking", seed).truth.actions:
                hour = (done.at_ms / 3_600_000 + 2) % 24
                assert 8 <= hour < 21.6

    def test_water_lowers_gravity_by_dilution_and_not_by_fermenting(self):
        cellar = simulated("topping-up")
        lot = only_lot(cellar)
        water = next(d for d in cellar.truth.actions if d.what == "top-up")
        before, after = (float(lot.gravity_at(water.at_ms + ms)) for ms in (-900_000, 900_000))

        assert after - before == pytest.approx(-(before - 1.0) * 2 / 25, abs=0.0015)
        assert lot.litres[-1] == pytest.approx(23 + 2 - 2.5 + 1.5)

    def test_sugar_raises_gravity_by_what_was_weighed(self):
        cellar = simulated("sugar-in-steps")
        lot = only_lot(cellar)
        sugar = next(d for d in cellar.truth.actions if d.what == "sugar")
        before, after = (float(lot.gravity_at(sugar.at_ms + ms)) for ms in (-900_000, 0))

        assert sugar.sugar_g == 600
        assert after - before == pytest.approx(600 / 20 * 0.000384, abs=0.0007)

    def test_a_hydrometer_check_shows_the_truth_at_the_temperature_of_the_sample(self):
        cellar = simulated("by-hand")
        lot = only_lot(cellar)
        checks = [d for d in cellar.truth.actions if d.what == "measure"]
        errors = [d.gravity_shown - float(lot.gravity_at(d.at_ms)) for d in checks]

        assert len(checks) == 10
        assert np.abs(errors).max() < 0.0025
        assert cellar.messages == []


def test_three_weeks_of_quarter_hours_take_well_under_a_third_of_a_second():
    """A scoring harness runs more than a thousand of them; the best of three, as the machine may be busy."""
    scenario = load("healthy-white")
    took = []
    for seed in range(3):
        began = time.process_time()
        run(scenario, seed)
        took.append(time.process_time() - began)

    assert min(took) < 0.3


class TestForms:
    @pytest.mark.parametrize("form", ["senml", "json", "number"])
    def test_any_form_tells_the_same_temperatures(self, form):
        cellar = run(load("kit"), 1, form=form)
        topics = {m.topic for m in cellar.messages}

        assert topics == (
            {f"cellar/kit-float/{q}" for q in ("gravity", "temperature", "battery")}
            if form == "number"
            else {"cellar/kit-float"}
        )

    def test_bare_numbers_are_one_message_per_quantity(self):
        packs, numbers = (run(load("kit"), 1, form=form) for form in ("senml", "number"))

        assert len(numbers.messages) == 3 * len(packs.messages)
        assert all(float(m.payload) for m in numbers.messages)


class TestTime:
    def test_it_can_be_made_to_end_at_an_instant(self):
        ending_ms = 1_795_592_005_417
        cellar = run(load("kit"), 1, ending_ms=ending_ms)

        assert cellar.messages[-1].sent_ms == ending_ms
        assert cellar.begins_ms == pytest.approx(ending_ms - 16 * DAY_MS, abs=20 * 60_000)

    def test_whenever_it_ends_nights_are_at_night(self):
        scenario = replace(load("cold-nights"), rooms=(replace(load("cold-nights").rooms[0], spells=()),))
        for ending_ms in (1_795_592_005_417, 1_795_592_005_417 + 7 * 3_600_000):
            cellar = run(scenario, 1, ending_ms=ending_ms)
            lot = only_lot(cellar)
            room = cellar.truth.rooms["garage"]
            hour = (lot.t_ms / 3_600_000 + 2) % 24
            by_hour = [room[(hour >= h) & (hour < h + 1)].mean() for h in range(24)]
            assert 14 <= int(np.argmax(by_hour)) <= 18

    def test_messages_and_deeds_stream_in_the_order_of_time(self):
        cellar = simulated("racking")
        streamed = list(stream(cellar))
        times = [x.at_ms if isinstance(x, Done) else x.sent_ms for x in streamed]

        assert times == sorted(times)
        assert [x for x in streamed if isinstance(x, Message)] == cellar.messages
        assert [x for x in streamed if isinstance(x, Done)] == list(cellar.truth.actions)

    def test_a_lot_that_begins_later_is_not_there_before(self):
        scenario = load("kit")
        later = replace(scenario, lots=(replace(scenario.lots[0], from_day=5.0),))
        cellar = run(later, 1)

        assert only_lot(cellar).t_ms[0] - cellar.begins_ms == 5 * DAY_MS
        assert cellar.truth.actions[0].at_ms == only_lot(cellar).t_ms[0]
