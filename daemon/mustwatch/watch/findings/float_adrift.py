"""Float adrift: a float and the hydrometer disagree."""

from collections.abc import Iterable
from dataclasses import dataclass, field

from mustwatch.cellar.quantities import Gravity, GravityChange
from mustwatch.watch.detector import LatchPerFloat, of_float
from mustwatch.watch.finding import About, Curve, Drawn, Evidence, FindingKind, Severity, Transition
from mustwatch.watch.slot_view import SlotView


@dataclass(frozen=True, slots=True)
class Apart(Evidence):
    """What hydrometer and float said at a check, and by how much the float says more."""

    gravity_hydrometer: Gravity
    gravity_float: Gravity
    gravity_apart: GravityChange


KIND = FindingKind("float-adrift", About.GEAR, Apart, drawn=Drawn(Curve.GRAVITY))


@dataclass(slots=True)
class FloatAdrift(LatchPerFloat):
    """A float disagrees with the hydrometer by more than both their errors allow.

    Judged at each hydrometer check, against what the float was believed to be off by before; cleared by a later check
    that agrees, or by a re-anchoring. The estimate follows the hydrometer either way.
    """

    kinds = (KIND,)

    checked: dict[str, Apart] = field(default_factory=dict)

    def judge(self, view: SlotView) -> Iterable[Transition]:
        """Judge one closed slot."""
        estimator = view.estimator
        told: list[Transition] = []
        for sensor in estimator.reanchored:
            told += self.latch(sensor).clear(view.at_ms, of_float(view, sensor))
        for sensor, (apart, checked) in estimator.checks.items():
            evidence = Apart(
                Gravity(round(checked, 4)), Gravity(round(checked + apart, 4)), GravityChange(round(apart, 4))
            )
            self.checked[sensor] = evidence
            latch, subject = self.latch(sensor), of_float(view, sensor)
            if estimator.floats[sensor].is_adrift:
                told += latch.set(view.at_ms, subject, Severity.WARNING, evidence)
            else:
                told += latch.clear(view.at_ms, subject, evidence)
        return told

    def evidence(self, view: SlotView, sensor: str) -> Evidence | None:
        """Return what the float and the hydrometer said at the last check."""
        return self.checked.get(sensor)
