"""What every detector promises. A class that is added to the package is enrolled here by being found.

For each there is a way to make its quantity hover around its threshold (``HOVER``); a detector without one fails.
"""

import importlib
import inspect
import json
import math
import pkgutil
from collections.abc import Callable, Iterable
from random import Random

import pytest

from mustwatch.cellar.profile import Profile, Stage
from mustwatch.watch import findings
from mustwatch.watch.detector import Detector
from mustwatch.watch.enrolled import ENROLLED
from mustwatch.watch.finding import Change, FindingKind, Subject, Transition, kind_named, kinds
from mustwatch.watch.float_track import FloatTrack
from mustwatch.watch.lot_estimator import LotEstimator
from mustwatch.watch.memory import dumped, recall
from mustwatch.watch.slot_view import SlotView
from mustwatch.watch.slots import SLOT_MS

BEGIN_MS = 1_790_000_100_000 // SLOT_MS * SLOT_MS
HOUR_MS = 3_600_000
UNITS = (
    "gravity",
    "celsius",
    "hours",
    "minutes",
    "per_day",
    "per_hour",
    "probability",
    "readings",
    "days",
    "nights",
)
BY_THE_DAEMON = {
    kind_named("clock-wrong"),
    kind_named("storage-trouble"),
    kind_named("delivery-trouble"),
    kind_named("broker-trouble"),
    kind_named("unwatched"),
}
OF_A_SENSOR = {kind_named("lot-missing"), kind_named("sensor-silent"), kind_named("battery-low")}

Hover = Callable[[SlotView, Random], None]


def view_of(profile: Profile | None = None) -> SlotView:
    """Return a lot in mid-ferment in which nothing is the matter."""
    profile = profile or Profile()
    estimator = LotEstimator(profile.settled_hours, BEGIN_MS)
    estimator.first_gravity, estimator.end_gravity = 1.080, 0.993
    estimator.onset_ms, estimator.lowest_rate = BEGIN_MS + 24 * HOUR_MS, -0.02
    view = SlotView(Subject("lot", "bucket"), profile, BEGIN_MS, estimator)
    view.at_ms = BEGIN_MS + 100 * HOUR_MS
    view.gravity, view.gravity_sd, view.rate, view.rate_sd = 1.040, 0.0006, -0.015, 0.001
    view.celsius, view.change_per_hour, view.heard, view.is_night = 20.0, 0.0, True, False
    return view


def hover_too_warm(view: SlotView, random: Random) -> None:
    """Around 26 °C by the thermometer's noise."""
    view.celsius = 26.0 + random.gauss(0, 0.15)


def hover_too_cold(view: SlotView, random: Random) -> None:
    """Around 15 °C by the thermometer's noise."""
    view.celsius = 15.0 + random.gauss(0, 0.15)


def hover_fast_change(view: SlotView, random: Random) -> None:
    """Around 3 °C an hour."""
    view.change_per_hour = 3.0 + random.gauss(0, 0.15)


def hover_night_swing(view: SlotView, random: Random) -> None:
    """All of one night, 6 °C below and above."""
    view.is_night = True
    view.celsius = random.choice((14.0, 20.0)) + random.gauss(0, 0.1)


def hover_float_frozen(view: SlotView, random: Random) -> None:
    """The same value again and again, as a coarse float in a still wine has it, with a change now and then."""
    track = view.estimator.floats.setdefault("float", FloatTrack(3))
    if not random.randrange(20):
        track.constancy.take(1.0405, view.at_ms)
    track.constancy.take(1.040, view.at_ms)


def hover_float_adrift(view: SlotView, random: Random) -> None:
    """A check that says adrift, then nothing for long."""
    track = view.estimator.floats.setdefault("float", FloatTrack(3))
    if not view.estimator.checks:
        track.is_adrift = True
        view.estimator.checks = {"float": (0.004 + random.gauss(0, 0.0002), 1.040)}


def hover_rack_due(view: SlotView, random: Random) -> None:
    """Around 1.010 by the estimate's error."""
    view.gravity = 1.010 + random.gauss(0, 0.0008)


def hover_late_onset(view: SlotView, random: Random) -> None:
    """No onset, a rate around nothing."""
    view.estimator.onset_ms = -(2**62)
    view.gravity, view.rate = 1.080 + random.gauss(0, 0.0008), random.gauss(0, 0.001)


def hover_sluggish(view: SlotView, random: Random) -> None:
    """A fall of a little less than 0.005 a day, its error reaching over that."""
    view.rate = -0.0042 + random.gauss(0, 0.0006)


def hover_ended(view: SlotView, random: Random) -> None:
    """Around dryness, settled by probabilities that hover around their limits."""
    view.gravity, view.rate, view.rate_sd = 0.9978 + random.gauss(0, 0.0004), random.gauss(0, 0.0004), 0.0005
    view.estimator.p_unfinished, view.estimator.p_falling = (
        abs(random.gauss(0.045, 0.015)),
        abs(random.gauss(0.1, 0.05)),
    )


def hover_stuck(view: SlotView, random: Random) -> None:
    """Settled at 1.020."""
    view.gravity, view.rate, view.rate_sd = 1.020 + random.gauss(0, 0.0006), random.gauss(0, 0.0004), 0.0005
    view.estimator.p_unfinished, view.estimator.p_falling = (
        abs(random.gauss(0.05, 0.05)),
        abs(random.gauss(0.2, 0.1)),
    )


HOVER: dict[FindingKind, Hover] = {
    kind_named("too-warm"): hover_too_warm,
    kind_named("too-cold"): hover_too_cold,
    kind_named("fast-change"): hover_fast_change,
    kind_named("night-swing"): hover_night_swing,
    kind_named("float-frozen"): hover_float_frozen,
    kind_named("float-adrift"): hover_float_adrift,
    kind_named("rack-due"): hover_rack_due,
    kind_named("late-onset"): hover_late_onset,
    kind_named("sluggish"): hover_sluggish,
    kind_named("finished"): hover_ended,
    kind_named("stuck"): hover_stuck,
}

each = pytest.mark.parametrize("make", ENROLLED, ids=lambda make: make.__name__)


def run(
    detector: Detector, hover: Hover, slots: int, seed: int, view: SlotView | None = None
) -> list[Transition]:
    """Show a detector so many slots of hovering."""
    random = Random(seed)
    view = view or view_of()
    told: list[Transition] = []
    for _ in range(slots):
        view.at_ms += SLOT_MS
        hover(view, random)
        told += detector.judge(view)
    return told


def classes() -> Iterable[type]:
    """Return every class of the detectors' package that names the kinds it finds."""
    for module in pkgutil.iter_modules(findings.__path__):
        found = importlib.import_module(f"{findings.__name__}.{module.name}")
        for _, of in inspect.getmembers(found, inspect.isclass):
            if of.__module__ == found.__name__ and isinstance(of.__dict__.get("kinds"), tuple):
                yield of


def test_every_detector_of_the_package_is_enrolled() -> None:
    assert set(classes()) == set(ENROLLED)


def test_every_kind_of_finding_has_somebody_who_finds_it() -> None:
    of_lots = {kind for make in ENROLLED for kind in make.kinds}

    assert of_lots | OF_A_SENSOR | BY_THE_DAEMON == set(kinds())


@each
def test_noise_around_the_threshold_opens_at_most_one_alert(make: type[Detector]) -> None:
    for seed in range(8):
        told = run(make(), HOVER[make.kinds[0]], 400, seed)

        assert sum(t.change is Change.RAISED for t in told) <= 1, [dict(t.evidence) for t in told]


@each
def test_its_hovering_is_no_idle_test_some_of_it_is_found(make: type[Detector]) -> None:
    told = [t for seed in range(8) for t in run(make(), HOVER[make.kinds[0]], 400, seed)]

    # A frozen float may hover without ever being frozen: that is what its hovering is about.
    assert told or make.kinds[0] is kind_named("float-frozen")


@each
def test_missing_data_neither_raises_nor_clears(make: type[Detector]) -> None:
    view = view_of()
    detector = make()
    run(detector, HOVER[make.kinds[0]], 400, 1, view)
    held = list(detector.open_findings())
    view.celsius = view.change_per_hour = None
    view.heard, view.is_night = False, True
    view.estimator.checks = {}
    view.estimator.p_unfinished = view.estimator.p_falling = None
    told = run(detector, lambda v, r: None, 400, 1, view)

    assert [t.change for t in told if t.change is Change.CLEARED] == []
    assert list(detector.open_findings()) == held


@each
def test_nothing_known_at_all_is_no_error(make: type[Detector]) -> None:
    estimator = LotEstimator(48.0, BEGIN_MS)
    view = SlotView(Subject("lot", "bucket"), Profile(), BEGIN_MS, estimator)

    assert list(make().judge(view)) == []


@each
@pytest.mark.parametrize("stage", list(Stage))
def test_no_stage_and_no_number_makes_it_raise_an_exception(make: type[Detector], stage: Stage) -> None:
    random = Random(3)
    view = view_of()
    view.stage = stage
    detector = make()
    for _ in range(500):
        view.at_ms += SLOT_MS
        view.gravity = random.uniform(0.95, 1.2)
        view.rate, view.rate_sd = random.uniform(-0.1, 0.1), random.uniform(0.0, 0.1)
        view.celsius = random.choice((None, random.uniform(-20, 60)))
        view.change_per_hour = random.choice((None, random.uniform(-30, 30)))
        view.is_night = random.random() < 0.6
        view.heard = random.random() < 0.8
        view.equal_checks_hours = random.choice((None, random.uniform(0, 100)))
        view.estimator.p_unfinished = random.choice((None, random.random()))
        view.estimator.p_falling = random.choice((None, random.random()))
        for told in detector.judge(view):
            assert told.kind in make.kinds
            assert told.at_ms == view.at_ms


@each
def test_a_snapshot_in_the_middle_changes_nothing(make: type[Detector]) -> None:
    for seed in range(4):
        random, again = Random(seed), Random(seed)
        hover = HOVER[make.kinds[0]]
        view, view_again = view_of(), view_of()
        whole, parts = make(), make()
        for i in range(300):
            view.at_ms += SLOT_MS
            view_again.at_ms += SLOT_MS
            hover(view, random)
            hover(view_again, again)
            if i % 37 == 0:
                kept = json.loads(dumped(parts))
                parts = make()
                recall(parts, kept)
            assert list(whole.judge(view)) == list(parts.judge(view_again))
        assert list(whole.open_findings()) == list(parts.open_findings())


@each
def test_evidence_is_finite_numbers_with_their_units_in_the_key(make: type[Detector]) -> None:
    for told in run(make(), HOVER[make.kinds[0]], 400, 1):
        assert told.evidence or told.change is Change.CLEARED
        for key, value in told.evidence.items():
            if isinstance(value, str) or value is None:
                continue
            assert math.isfinite(value)
            assert any(unit in key for unit in UNITS), key


@each
def test_what_it_raises_names_the_lot_and_the_vessel(make: type[Detector]) -> None:
    for told in run(make(), HOVER[make.kinds[0]], 400, 1):
        assert (told.subject.lot, told.subject.vessel) == ("lot", "bucket")
