"""What every detector promises. A class that is added to the package is enrolled here by being found.

For each there is a way to make its quantity hover around its threshold (``examples``); a detector without one fails.
"""

import json
import math
from dataclasses import MISSING, fields
from random import Random

import pytest

from examples import Hover, hover_of
from mustwatch.cellar.profile import Profile, Stage
from mustwatch.watch.detector import Detector
from mustwatch.watch.enrolled import ENROLLED
from mustwatch.watch.finding import Change, Subject, Transition, kind_named, kinds
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


def test_every_detector_of_the_package_is_enrolled() -> None:
    assert {make.__name__ for make in ENROLLED} >= {
        "Ended",
        "FloatAdrift",
        "FloatFrozen",
        "RackDue",
        "TooWarm",
    }


def test_every_kind_of_finding_has_somebody_who_finds_it() -> None:
    of_lots = {kind for make in ENROLLED for kind in make.kinds}

    assert of_lots | OF_A_SENSOR | BY_THE_DAEMON == set(kinds())
    assert of_lots == {kind for kind in kinds() if kind.is_of_lot}


@each
def test_noise_around_the_threshold_opens_at_most_one_alert(make: type[Detector]) -> None:
    for seed in range(8):
        told = run(make(), hover_of(make.kinds[0]), 400, seed)

        assert sum(t.change is Change.RAISED for t in told) <= 1, [dict(t.evidence) for t in told]


@each
def test_its_hovering_is_no_idle_test_some_of_it_is_found(make: type[Detector]) -> None:
    told = [t for seed in range(8) for t in run(make(), hover_of(make.kinds[0]), 400, seed)]

    # A frozen float may hover without ever being frozen: that is what its hovering is about.
    assert told or make.kinds[0] is kind_named("float-frozen")


@each
def test_missing_data_neither_raises_nor_clears(make: type[Detector]) -> None:
    view = view_of()
    detector = make()
    run(detector, hover_of(make.kinds[0]), 400, 1, view)
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
        hover = hover_of(make.kinds[0])
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
    for told in run(make(), hover_of(make.kinds[0]), 400, 1):
        assert told.evidence or told.change is Change.CLEARED
        for key, value in told.evidence.items():
            if isinstance(value, str) or value is None:
                continue
            assert math.isfinite(value)
            assert any(unit in key for unit in UNITS), key


@each
def test_what_it_raises_has_the_evidence_that_its_kind_declares(make: type[Detector]) -> None:
    for told in run(make(), hover_of(make.kinds[0]), 400, 1):
        declared = {f.name: f.default is MISSING for f in fields(told.kind.evidence)}
        if told.change is Change.RAISED:
            assert told.evidence.keys() <= declared.keys()
            assert told.evidence.keys() >= {key for key, is_needed in declared.items() if is_needed}


@each
def test_what_it_raises_names_the_lot_and_the_vessel(make: type[Detector]) -> None:
    for told in run(make(), hover_of(make.kinds[0]), 400, 1):
        assert (told.subject.lot, told.subject.vessel) == ("lot", "bucket")
