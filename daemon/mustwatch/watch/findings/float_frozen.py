"""Float frozen: a float in its lot, or a probe wherever it is, repeats one value."""

from collections.abc import Iterable
from dataclasses import dataclass, field

from mustwatch.cellar.instant import HOUR_MS
from mustwatch.cellar.quantities import Celsius, Count, Gravity, Hours
from mustwatch.watch.constancy import FEWEST, Constancy
from mustwatch.watch.detector import NOTHING, Latch, LatchPerFloat, of_float
from mustwatch.watch.finding import (
    About,
    Curve,
    Drawn,
    Evidence,
    FindingKind,
    Severity,
    Subject,
    Transition,
)
from mustwatch.watch.slot_view import SlotView
from mustwatch.watch.standing import Left


@dataclass(frozen=True, slots=True)
class Repeated(Evidence):
    """For how long, and how often, a float has said one gravity, or a probe one temperature."""

    hours_constant: Hours
    readings_constant: Count
    gravity: Gravity | None = None
    celsius: Celsius | None = None


KIND = FindingKind("float-frozen", About.GEAR, Repeated, drawn=Drawn(Curve.GRAVITY), by_sensor_with="celsius")


@dataclass(slots=True)
class FloatFrozen(LatchPerFloat):
    """A float repeats one and the same gravity far longer than it ever did before.

    Judged against the float's own longest run, so that a coarse scale is not taken for a fault; cleared by the first
    other value. While it holds, and from a sixth of that time on, the float's gravity is not believed.
    """

    kinds = (KIND,)

    def judge(self, view: SlotView) -> Iterable[Transition]:
        """Judge one closed slot."""
        told: list[Transition] = []
        for sensor, track in view.estimator.floats.items():
            alive = track.constancy
            if alive.is_frozen:
                told += self.latch(sensor).set(
                    view.at_ms, of_float(view, sensor), Severity.WARNING, _said(alive, view.at_ms)
                )
            elif sensor in self.latches:
                last = None if alive.value is None else Gravity(alive.value)
                told += self.latches[sensor].clear(view.at_ms, of_float(view, sensor), Left(gravity=last))
        return told

    def evidence(self, view: SlotView, sensor: str) -> Evidence | None:
        """Return the value, and for how long the float has repeated it."""
        track = view.estimator.floats.get(sensor)
        return None if track is None else _said(track.constancy, view.at_ms)


def _said(alive: Constancy, at_ms: int, *, is_probe: bool = False) -> Repeated:
    value, hours = alive.value, Hours(round((at_ms - alive.since_ms) / HOUR_MS, 1))
    if is_probe:
        return Repeated(hours, Count(alive.count), celsius=None if value is None else Celsius(value))
    return Repeated(hours, Count(alive.count), gravity=None if value is None else Gravity(value))


@dataclass(slots=True)
class ProbeFrozen:
    """A probe repeats one and the same temperature far longer than it ever did before, whatever lot it is in."""

    latch: Latch = field(default_factory=lambda: Latch(KIND))
    _alive: Constancy = field(default_factory=Constancy)

    def take(self, celsius: float, at_ms: int, subject: Subject) -> Iterable[Transition]:
        """Take in what it said."""
        alive = self._alive
        alive.take(celsius, at_ms)
        if alive.is_frozen == (self.latch.severity is not None):
            return NOTHING
        if alive.is_frozen and alive.count > FEWEST:
            # Dated when the run became too long, not when it was heard: whichever reading shows it, if one comes late.
            at_ms = alive.since_ms + alive.patience_ms()
        said = _said(alive, at_ms, is_probe=True)
        if alive.is_frozen:
            return self.latch.set(at_ms, subject, Severity.WARNING, said)
        return self.latch.clear(at_ms, subject, said)
