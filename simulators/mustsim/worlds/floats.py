"""Floats of a world: good ones and bad ones, and what foam, walls, lids and hands do to them."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from mustsim.density import FloatArray
from mustsim.room import wander
from mustsim.worlds.courses import Rng, log_uniform

LIVELY_PER_DAY: Final = 0.004
"""A fall of gravity per day above which there may be foam and bubbles. Own estimate."""

KINDS: Final = ("gaussian", "heavy-tailed", "wandering")


@dataclass(frozen=True, slots=True)
class Float:
    """How good a float is.

    Attributes:
        kind: how its noise is spread: ``heavy-tailed`` is Student's with 3 degrees of freedom, ``wandering`` has a slow
            part on top.
        noise: standard deviation of one gravity, white. wander, wander_h: size and memory in hours of the slow part.
        quantum: smallest step. interval_min: between readings; irregular: by what share of it they come early or late.
        lean_per_k, bend_per_k2: what it errs by with temperature, from 20 °C, not in a straight line.
        offset, drift_per_day: constant error, and its change.
        foam_per_day: how often foam, a wall or a bubble holds it while it ferments; trembles: share of its noise then.
        lids: how often a lid is lifted or the float taken out. knocks: steps of its reading in a wine that stands.
        gaps: spells of silence, hours.
    """

    kind: str
    noise: float
    wander: float
    wander_h: float
    quantum: float
    interval_min: float
    irregular: float
    lean_per_k: float
    bend_per_k2: float
    offset: float
    drift_per_day: float
    foam_per_day: float
    trembles: float
    lids: int
    knocks: int
    gaps: tuple[float, ...]

    @property
    def is_sound(self) -> bool:
        """Return whether it shows the wine's gravity to about a hydrometer's division, all the time."""
        return abs(self.offset) < 0.0015 and self.drift_per_day == 0.0 and self.knocks == 0


def draw_float(rng: Rng, is_check: bool) -> Float:
    """Return a float; half of them as good as a careful owner's, the others anything that is sold and kept badly."""
    is_good = rng.random() < 0.5
    kind = KINDS[int(rng.choice(3, p=(0.5, 0.2, 0.3)))]
    longest_h = 60.0 if is_check else 30.0
    lean = float(rng.uniform(-0.0002, 0.0002) if is_good else rng.uniform(-0.0008, 0.0008))
    return Float(
        kind=kind,
        noise=log_uniform(rng, 0.0003, 0.004 if is_check else 0.003),
        wander=log_uniform(rng, 0.0002, 0.0008 if is_good else 0.0015) if kind == "wandering" else 0.0002,
        wander_h=log_uniform(rng, 2.0, longest_h) if kind == "wandering" else 6.0,
        quantum=float(rng.choice([0.0001, 0.0002, 0.0005, 0.001, 0.002], p=(0.2, 0.2, 0.25, 0.25, 0.1))),
        interval_min=float(
            rng.choice([1, 5, 10, 15, 30, 60, 120, 240], p=(0.05, 0.1, 0.1, 0.3, 0.15, 0.15, 0.1, 0.05))
        ),
        irregular=float(rng.choice([0.02, 0.5])),
        lean_per_k=lean,
        bend_per_k2=float(rng.normal(0.0, 0.05)) * lean,
        offset=float(rng.normal(0.0, 0.0007) if is_good else rng.uniform(-0.006, 0.006)),
        drift_per_day=float(0.0 if is_good or rng.random() < 0.5 else rng.uniform(-0.0006, 0.0006)),
        foam_per_day=float(rng.choice([0.0, 0.3, 1.0], p=(0.5, 0.3, 0.2))),
        trembles=float(rng.choice([0.1, 0.3, 1.0])),
        lids=int(rng.poisson(0.5)),
        knocks=int(not is_good and rng.random() < 0.4),
        gaps=tuple(log_uniform(rng, 2.0, 168.0) for _ in range(int(rng.poisson(0.4)))),
    )


def instants(float_: Float, days: float, rng: Rng) -> FloatArray:
    """Return the hours at which it speaks, its gaps left out."""
    step_h = float_.interval_min / 60.0
    count = int(days * 24.0 / step_h)
    at = (
        np.arange(count) + rng.uniform(0.0, 1.0) + rng.uniform(-0.45, 0.45, count) * float_.irregular
    ) * step_h
    at = at[at > 0.0]
    for hours in float_.gaps:
        begins = rng.uniform(12.0, days * 24.0)
        at = at[(at < begins) | (at > begins + hours)]
    return np.asarray(at, dtype=np.float64)


def read(
    float_: Float,
    at: FloatArray,
    gravity: FloatArray,
    fall_per_day: FloatArray,
    celsius: FloatArray,
    rng: Rng,
) -> FloatArray:
    """Return what it shows at its instants, given the truth there."""
    size = at.size
    warmer = celsius - 20.0
    shown = gravity + float_.offset + float_.drift_per_day * at / 24.0
    shown = shown + float_.lean_per_k * warmer + float_.bend_per_k2 * warmer * np.abs(warmer)
    shown = shown + wander(at, float_.wander, float_.wander_h, rng)
    shown = shown + 0.0003 * rng.random() * np.clip(fall_per_day / 0.02, 0.0, 1.5)  # gas lifts it
    noise = rng.standard_normal(size)
    if float_.kind == "heavy-tailed":
        noise = rng.standard_t(3.0, size) / 3.0**0.5
    noise = float_.noise * noise
    lively = fall_per_day > LIVELY_PER_DAY
    shown, noise = _held(float_, at, shown, noise, lively, rng)
    shown = shown + _knocks(float_, at, fall_per_day, rng)
    shown = shown + noise
    for _ in range(float_.lids):
        begins = rng.uniform(0.0, at[-1])
        out = (at >= begins) & (at < begins + rng.uniform(0.1, 1.5))
        shown = np.where(out, rng.uniform(0.95, 1.2, size), shown)
    return np.asarray(np.round(shown / float_.quantum) * float_.quantum, dtype=np.float64)


def _held(
    float_: Float, at: FloatArray, shown: FloatArray, noise: FloatArray, lively: np.ndarray, rng: Rng
) -> tuple[FloatArray, FloatArray]:
    """Return what it shows and its noise with the spells in which foam or a wall holds it, only while it ferments."""
    busy = at[lively]
    if not busy.size:
        return shown, noise
    for _ in range(int(rng.poisson(float_.foam_per_day * (busy[-1] - busy[0]) / 24.0))):
        begins = float(rng.choice(busy))
        window = (at >= begins) & (at < begins + 0.5 + rng.exponential(3.0)) & lively
        if window.any():
            shown = np.where(window, shown[int(np.argmax(window))] + rng.uniform(0.0, 0.005), shown)
            noise = np.where(window, float_.trembles * noise, noise)
    return shown, noise


def _knocks(float_: Float, at: FloatArray, fall_per_day: FloatArray, rng: Rng) -> FloatArray:
    """Return the steps that a knock, a wall or a hand makes in a wine that stands: for hours, or for good."""
    steps = np.zeros(at.size)
    still = at[fall_per_day < 0.0005]
    for _ in range(float_.knocks if still.size else 0):
        begins = float(rng.choice(still))
        until = begins + float(rng.choice([rng.uniform(2.0, 24.0), 1e9]))
        steps = steps + np.where((at >= begins) & (at < until), rng.uniform(-0.003, 0.005), 0.0)
    return steps
