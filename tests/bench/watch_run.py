"""Runs the watch over cases and measures what it made of them; one ferment's figures in one plain record."""

import time
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from watch_case import Case, cases_of
from watch_judging import HOUR_MS, Score, observed_until, steps_ms
from watch_reader import line_errors_h, reader_error_h
from watch_truth import SCORES

from mustsim.cellar import run
from mustsim.scenario import Scenario, load, shipped_names
from mustsim.vary import randomised
from mustwatch.watch.finding import FindingKind, Transition
from mustwatch.watch.lot_estimator import SETTLED_FALL
from mustwatch.watch.lot_watch import LotWatch, WatchStep
from mustwatch.watch.observation import Observation
from mustwatch.watch.sensor_watch import SensorWatch

TUNING_SEEDS = range(1000, 1006)
"""Of every scenario: what constants were chosen on."""

REPORT_SEEDS = range(21001, 21022)
"""Of every scenario: what the figures are reported on."""

STANDARD_NOISE = 0.0015

OFFSET_SD = 0.0007
"""Of a float's constant error after calibration: about what a hydrometer read to half a division leaves."""

NOT_SCORED = ("clock-wrong",)
"""A sensor whose own clock is wrong is corrected by the daemon before the watch; here nothing corrects it."""

DAY_MS = 24 * HOUR_MS

BLIND = ("dies", "freezes", "freezes-whole", "drift", "foam", "battery")
"""Faults after which a float alone cannot know the gravity; such ferments count for findings, not for RMSE."""


@dataclass(slots=True)
class Figures:
    """What one ferment came to. Times in hours, gravities 20/20, rates per day.

    ``is_sighted``: its float had no fault that hides the gravity; counted for RMSE and intervals. ``is_sound``: it
    was watched by a float that does not drift away; counted for the delays that a float can be asked for.
    """

    name: str
    family: str
    seed: int
    noise: float
    readings: int
    seconds: float
    scores: dict[str, Score] = field(default_factory=dict)
    gravity_rmse: float | None = None
    rate_rmse: float | None = None
    gravity_cover: float | None = None
    rate_cover: float | None = None
    is_sighted: bool = True
    is_sound: bool = True
    rack_at_half_h: float | None = None
    rack_at_half_covered: bool | None = None
    rack_reader_h: float | None = None
    rack_line_h: tuple[float, ...] | None = None
    rack_ahead: list[tuple[float, float, bool]] = field(default_factory=list)
    finish_ahead: list[tuple[float, float, bool]] = field(default_factory=list)


def scenarios() -> list[str]:
    """Return the names of the scenarios that are scored."""
    return [name for name in shipped_names() if name not in NOT_SCORED]


def drawn(name: str, seed: int) -> Scenario:
    """Return a scenario with its parameters drawn.

    Every second seed has floats of the standard noise and without an offset, as the reach for RMSE states it; the
    others have any noise, and an offset against the hydrometer drawn with ``OFFSET_SD``.
    """
    scenario = load(name)
    if seed % 2 == 0:
        held = {
            k: v for k, v in scenario.vary.items() if not (k.startswith("sensors.") and k.endswith(".noise"))
        }
        scenario = replace(scenario, vary={**held, "sensors.*.noise": [STANDARD_NOISE, STANDARD_NOISE]})
    rng = np.random.default_rng([seed, zlib.crc32(name.encode())])
    scenario = randomised(scenario, rng)
    if seed % 2:
        sensors = tuple(
            replace(s, offset=s.offset + float(rng.normal(0.0, OFFSET_SD))) if s.kind == "float" else s
            for s in scenario.sensors
        )
        scenario = replace(scenario, sensors=sensors)
    return scenario


def cases(name: str, seed: int) -> list[Case]:
    """Return the cases of one scenario and seed."""
    return cases_of(run(drawn(name, seed), seed, form="senml"))


def watched(case: Case) -> tuple[list[WatchStep], float]:
    """Return every step of the watch over a case, and the seconds it took."""
    watch = LotWatch(case.lot, case.vessel, case.profile, case.started_ms)
    steps: list[WatchStep] = []
    begun = time.process_time()
    for event in case.events:
        steps += watch.observe(event) if isinstance(event, Observation) else watch.enter(event)
    steps += watch.advance(2**62)
    return steps, time.process_time() - begun


def found(case: Case, steps: Sequence[WatchStep]) -> list[Transition]:
    """Return the transitions of the lot's watch and of its sensors' watches."""
    transitions = [t for step in steps for t in step.transitions]
    for sensor in case.sensors:
        watch = SensorWatch(sensor)
        for reading in case.readings:
            if reading.sensor == sensor.id:
                transitions += watch.observe(reading)
    return transitions


def figures(case: Case) -> Figures:
    """Return what the watch came to on one case."""
    steps, seconds = watched(case)
    transitions = found(case, steps)
    count = sum(isinstance(e, Observation) for e in case.events)
    made = Figures(case.name, case.family, case.seed, case.noise, count, seconds)
    for kind, score in SCORES.items():
        made.scores[kind.value] = score(case, transitions)
    made.is_sighted = case.noise > 0.0 and not any(e.kind in BLIND for e in case.sensor_truth)
    made.is_sound = case.noise > 0.0 and not any(e.kind == "drift" for e in case.sensor_truth)
    made.rack_reader_h, made.rack_line_h = reader_error_h(case), line_errors_h(case)
    if case.noise > 0.0:
        _measure(case, steps, made)
        _measure_forecast(case, steps, made)
    return made


def _measure(case: Case, steps: Sequence[WatchStep], made: Figures) -> None:
    until = observed_until(case)
    live = [s.estimate for s in steps if s.estimate.gravity is not None and s.estimate.at_ms <= until]
    live = [e for e in live if e.at_ms > case.started_ms + 12 * HOUR_MS]
    if not live:
        return
    at = np.array([e.at_ms for e in live])
    gravity, gravity_sd, rate, rate_sd = (np.array([e[i] for e in live], dtype=float) for i in (1, 2, 3, 4))
    off = gravity - case.truth.gravity_at(at)
    rate_off = rate - np.interp(at, case.truth.t_ms, case.truth.rate_per_day)
    made.gravity_rmse = float(np.sqrt(np.mean(off**2)))
    made.rate_rmse = float(np.sqrt(np.mean(rate_off**2)))
    made.gravity_cover = float(np.mean(np.abs(off) <= 1.645 * gravity_sd))
    made.rate_cover = float(np.mean(np.abs(rate_off) <= 1.645 * rate_sd))


def _measure_forecast(case: Case, steps: Sequence[WatchStep], made: Figures) -> None:
    truth = case.truth
    crossing = truth.first("crossing")
    ends = [e for e in truth.events if e.kind in ("end", "pause")]
    until = observed_until(case)
    if steps_ms(case) or not steps:
        return
    at = np.array([s.estimate.at_ms for s in steps])
    if crossing is not None and crossing.at_ms < until:
        half = 0.5 * (float(truth.gravity[0]) + float(truth.gravity.min()))
        half_ms = int(truth.t_ms[np.argmax(truth.gravity <= half)])
        if half_ms < crossing.at_ms:
            rack = steps[min(int(np.searchsorted(at, half_ms)), len(steps) - 1)].forecast.rack
            if rack is not None:
                made.rack_at_half_h = (rack.at_ms - crossing.at_ms) / HOUR_MS
                made.rack_at_half_covered = rack.earliest_ms <= crossing.at_ms <= rack.latest_ms
        for ahead_h in (72, 48, 24, 12, 6):
            i = int(np.searchsorted(at, crossing.at_ms - ahead_h * HOUR_MS))
            rack = steps[i].forecast.rack if 0 < i < len(steps) else None
            if rack is not None:
                covered = rack.earliest_ms <= crossing.at_ms <= rack.latest_ms
                made.rack_ahead.append((ahead_h, (rack.at_ms - crossing.at_ms) / HOUR_MS, covered))
    settled_per_day = SETTLED_FALL * 24.0 / case.profile.settled_hours
    settled = (truth.t_ms >= ends[0].at_ms) & (truth.rate_per_day > -settled_per_day) if ends else None
    if settled is not None and settled.any():
        end_ms = int(truth.t_ms[np.argmax(settled)])
        for ahead_h in (96, 72, 48, 24, 12) if end_ms < until else ():
            i = int(np.searchsorted(at, end_ms - ahead_h * HOUR_MS))
            finish = steps[i].forecast.finish if 0 < i < len(steps) else None
            if finish is not None:
                covered = finish.earliest_ms <= end_ms <= finish.latest_ms
                made.finish_ahead.append((ahead_h, (finish.at_ms - end_ms) / HOUR_MS, covered))


def one(task: tuple[str, int]) -> list[Figures]:
    """Return the figures of one scenario and seed (for a pool of processes)."""
    return [figures(case) for case in cases(*task)]


def every(seeds: Sequence[int]) -> Iterator[tuple[str, int]]:
    """Yield every scenario with every seed."""
    return ((name, seed) for seed in seeds for name in scenarios())


def total(made: Sequence[Figures], kind: FindingKind) -> Score:
    """Return a kind's score over many ferments."""
    whole = Score()
    for of in made:
        whole.add(of.scores[kind.name])
    return whole
