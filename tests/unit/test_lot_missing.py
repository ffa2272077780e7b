"""A float in no lot: a wine it reads is found once, and water, a sanitiser or a shelf is none."""

from collections.abc import Callable, Iterable

import pytest

from mustwatch.cellar.history import BEGINNING_MS, END_MS, Placement
from mustwatch.cellar.reading import Reading
from mustwatch.cellar.sensor import Sensor, SensorKind
from mustwatch.watch.finding import Change, Severity, Subject, Transition, kind_named
from mustwatch.watch.findings.lot_missing import Said
from mustwatch.watch.sensor_watch import SensorWatch

BEGIN_MS = 1_790_000_000_000
HOUR_MS = 3_600_000
FLOAT = Sensor("float-1", SensorKind.FLOAT, "senml", vessel="bucket-3")
EMPTY = Placement("bucket-3", None, BEGINNING_MS, END_MS)
OUT = Placement(None, None, BEGINNING_MS, END_MS)
Curve = Callable[[float], float | None]


def ferment(hour: float) -> float:
    """Return a must that falls by 0.012 a day."""
    return 1.062 - 0.0005 * hour


def slow(hour: float) -> float:
    """Return a wine that has nearly stopped."""
    return 1.030 - 0.00002 * hour


def say(
    watch: SensorWatch,
    curve: Curve,
    hours: Iterable[float],
    place: Placement = EMPTY,
    *,
    noise: float = 0.0008,
    celsius: float = 19.0,
) -> list[Transition]:
    """Have the float say a curve and return what its watch tells."""
    told: list[Transition] = []
    for i, hour in enumerate(hours):
        at_ms = BEGIN_MS + round(hour * HOUR_MS)
        said = curve(hour)
        value = None if said is None else round(said + noise * (((i * 7919) % 1000) / 500.0 - 1.0), 4)
        reading = Reading(FLOAT.id, at_ms, at_ms, value, None, celsius, None)
        told += watch.observe(reading, place, Said(at_ms, value, value, celsius))
    return told


def quarters(begin: float, end: float) -> list[float]:
    return [begin + 0.25 * i for i in range(round((end - begin) * 4))]


def changes(told: Iterable[Transition]) -> list[tuple[Change, float]]:
    return [(t.change, round((t.at_ms - BEGIN_MS) / HOUR_MS, 2)) for t in told]


@pytest.mark.parametrize("wine", [ferment, slow])
def test_a_wine_in_a_vessel_without_a_lot_is_found_once_after_two_hours(wine: Curve) -> None:
    told = say(SensorWatch(FLOAT), wine, quarters(0, 96))

    (raised,) = told
    assert changes(told) == [(Change.RAISED, 2.0)]
    assert (raised.kind, raised.severity) == (kind_named("lot-missing"), Severity.NOTICE)
    assert raised.subject == Subject(None, "bucket-3", "float-1")
    assert raised.evidence["gravity"] == pytest.approx(wine(2.0), abs=0.001)
    assert raised.evidence["celsius"] == 19.0


@pytest.mark.parametrize(
    ("what", "curve", "noise"),
    [
        ("water", lambda _: 1.000, 0.0008),
        ("a sanitiser", lambda _: 1.003, 0.0008),
        ("dry, on its side, one value", lambda _: 1.100, 0.0),
        ("dry, far beyond a must", lambda _: 1.160, 0.004),
        ("in the air", lambda _: None, 0.0),
        ("an hour and a half in sugar water", lambda h: 1.040 if h < 1.5 else 1.000, 0.0008),
    ],
)
def test_what_is_no_wine_is_not_found(what: str, curve: Curve, noise: float) -> None:
    assert say(SensorWatch(FLOAT), curve, quarters(0, 72), noise=noise) == [], what


def test_a_float_that_the_book_has_out_is_found_to_read_a_wine_by_its_fall_alone() -> None:
    assert say(SensorWatch(FLOAT), slow, quarters(0, 72), OUT) == []

    (raised,) = say(SensorWatch(FLOAT), ferment, quarters(0, 72), OUT)

    assert raised.subject == Subject(None, None, "float-1")
    assert raised.evidence["rate_per_day"] == pytest.approx(-0.012, abs=0.002)


def test_a_lot_that_begins_within_the_hour_is_that_wine_s() -> None:
    begins = Placement("bucket-3", None, BEGINNING_MS, BEGIN_MS + 150 * 60_000)

    assert say(SensorWatch(FLOAT), ferment, quarters(0, 2.5), begins) == []


@pytest.mark.parametrize(
    "place",
    [
        Placement("bucket-3", "red", BEGIN_MS + 5 * HOUR_MS, END_MS),
        Placement("tank", None, BEGIN_MS + 5 * HOUR_MS, END_MS),
        Placement(None, None, BEGIN_MS + 5 * HOUR_MS, END_MS),
    ],
)
def test_it_is_over_when_the_book_has_a_lot_there_or_the_float_elsewhere(place: Placement) -> None:
    watch = SensorWatch(FLOAT)
    say(watch, ferment, quarters(0, 8))

    assert watch.booked(EMPTY) == ()
    assert changes(watch.booked(place)) == [(Change.CLEARED, 5.0)]
    assert watch.booked(place) == ()
    if place.lot is not None:
        return
    assert changes(say(watch, slow, quarters(8, 20), place)) == (
        [(Change.RAISED, 10.0)] if place.vessel else []
    )


def test_a_lot_that_the_book_had_begin_before_the_finding_ends_it_when_it_began() -> None:
    watch = SensorWatch(FLOAT)
    say(watch, ferment, quarters(0, 8))

    (over,) = watch.booked(Placement("bucket-3", "red", BEGIN_MS, END_MS))

    assert over.at_ms == BEGIN_MS + 2 * HOUR_MS


@pytest.mark.parametrize("then", [1.000, 1.100, None])
def test_a_float_taken_out_of_the_wine_ends_it_after_an_hour_and_a_lifted_lid_does_not(
    then: float | None,
) -> None:
    watch = SensorWatch(FLOAT)
    say(watch, ferment, quarters(0, 8))

    assert say(watch, lambda _: then, quarters(8, 8.75)) == []
    assert say(watch, ferment, quarters(8.75, 10)) == []
    assert changes(say(watch, lambda _: then, quarters(10, 20), noise=0.0)) == [(Change.CLEARED, 11.0)]


def test_a_wine_that_ferments_to_dryness_in_no_lot_is_still_one() -> None:
    assert changes(say(SensorWatch(FLOAT), lambda h: max(0.994, 1.040 - 0.0005 * h), quarters(0, 200))) == [
        (Change.RAISED, 2.0)
    ]


def test_the_figures_go_with_the_wine_once_an_hour() -> None:
    watch = SensorWatch(FLOAT)
    say(watch, ferment, quarters(0, 30))

    found = watch.fresh_figures()

    assert found is not None
    kind, subject, at_ms, evidence = found
    assert (kind, subject) == (kind_named("lot-missing"), Subject(None, "bucket-3", "float-1"))
    assert at_ms == BEGIN_MS + round(29.75 * HOUR_MS)
    assert evidence["gravity"] == pytest.approx(ferment(29.5), abs=0.001)
    assert evidence["rate_per_day"] == pytest.approx(-0.012, abs=0.002)
    assert watch.fresh_figures() is None


@pytest.mark.parametrize("hour", [1.0, 3.0, 9.0])
def test_a_restart_changes_nothing(hour: float) -> None:
    straight, watch = SensorWatch(FLOAT), SensorWatch(FLOAT)
    whole = say(straight, ferment, quarters(0, 12)) + list(straight.booked(OUT))

    told = say(watch, ferment, quarters(0, hour))
    again = SensorWatch.restore(watch.snapshot(), FLOAT)
    told += say(again, ferment, quarters(hour, 12)) + list(again.booked(OUT))

    assert changes(told) == changes(whole)
