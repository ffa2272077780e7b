"""The malolactic ferment: its course, what has to wait for it, and sorbate that bacteria spoil a wine with."""

import pytest

from mustwatch.cellar.book import (
    Addition,
    Bottling,
    Entry,
    Malic,
    Malolactic,
    MalolacticState,
    Measurement,
    Start,
    What,
)
from mustwatch.cellar.entry_json import entry_from_json, entry_to_json
from mustwatch.cellar.facts import Facts
from mustwatch.cellar.guidance import reminders
from mustwatch.cellar.history import fold
from mustwatch.cellar.instant import DAY_MS
from mustwatch.cellar.malolactic import course
from mustwatch.cellar.profile import Profile
from mustwatch.cellar.refusal import Reason
from mustwatch.cellar.rules import Cellar, refusals
from mustwatch.cellar.vessel import Vessel, VesselKind

BEGAN = 1_790_000_000_000
WANTED, BEGUN = Malolactic(MalolacticState.WANTED), Malolactic(MalolacticState.BEGUN)
PREVENTED = Malolactic(MalolacticState.PREVENTED)
BACTERIA = Addition("malolactic bacteria", 1, "sachet")
SORBATE = Addition("potassium sorbate", 4, "g")
SULFITE = Addition("potassium metabisulfite", 1, "g")
GONE, TRACES = Measurement(malic=Malic.GONE), Measurement(malic=Malic.TRACES)
CHECKED = Measurement(0.994, 20.0)
FINISHED = {"finished": BEGAN + 15 * DAY_MS}
DONE = Facts(FINISHED, 0.994, 0.0005, 0.0, 0.0003, 19.0, BEGAN + 60 * DAY_MS, floats=("float-1",))


def book(*of: What) -> list[Entry]:
    """Return the book of a wine that began on day 0, with each of these on a day of its own from day 20 on."""
    later = [entry(20 + number, what, number) for number, what in enumerate(of)]
    return [entry(0, Start("carboy", gravity=1.085, litres=20.0)), *later]


def entry(day: float, what: What, number: int = 99) -> Entry:
    at_ms = BEGAN + int(day * DAY_MS)
    return Entry(f"{number}-{what.kind}", "lot", at_ms, at_ms, what)


def state(*of: What) -> MalolacticState | None:
    now = course(book(*of), BEGAN + 90 * DAY_MS)
    return None if now is None else now.state


def reasons(what: What, *of: What) -> list[Reason]:
    vessels = {"carboy": Vessel("carboy", VesselKind.CARBOY, 23.0)}
    cellar = Cellar(fold(book(CHECKED, *of)), vessels, facts=DONE)
    return [refusal.reason for refusal in refusals(entry(30, what), cellar)]


@pytest.mark.parametrize(
    ("of", "expected"),
    [
        ((), None),
        ((GONE,), None),
        ((WANTED,), MalolacticState.WANTED),
        ((WANTED, BACTERIA), MalolacticState.BEGUN),
        ((BEGUN, TRACES), MalolacticState.BEGUN),
        ((BEGUN, TRACES, GONE), MalolacticState.DONE),
        ((WANTED, GONE), MalolacticState.DONE),
        ((BEGUN, PREVENTED, GONE), MalolacticState.PREVENTED),
    ],
)
def test_its_course_follows_what_was_said_added_and_tested(of: tuple[What, ...], expected: object) -> None:
    assert state(*of) is expected


def test_while_it_runs_sulfite_and_bottling_wait_for_it_and_afterwards_they_do_not() -> None:
    assert reasons(SULFITE) == []
    for what in (SULFITE, Addition("metabisulfite to stabilise", 1, "g"), Bottling(24)):
        assert Reason.MALOLACTIC_RUNS in reasons(what, BACTERIA, TRACES)
        assert Reason.MALOLACTIC_RUNS not in reasons(what, BACTERIA, TRACES, GONE)
        assert Reason.MALOLACTIC_RUNS not in reasons(what, BACTERIA, PREVENTED)


def test_sorbate_and_bacteria_in_one_wine_are_refused_in_either_order() -> None:
    assert Reason.GERANIUM_TAINT in reasons(SORBATE, BACTERIA, GONE)
    assert Reason.GERANIUM_TAINT in reasons(SORBATE, BACTERIA, PREVENTED)
    assert Reason.GERANIUM_TAINT in reasons(BACTERIA, SORBATE)
    assert Reason.GERANIUM_TAINT in reasons(BEGUN, SORBATE)
    assert Reason.GERANIUM_TAINT not in reasons(SORBATE)
    assert Reason.GERANIUM_TAINT not in reasons(SORBATE, PREVENTED)
    assert Reason.GERANIUM_TAINT not in reasons(SULFITE, BACTERIA, GONE)


def test_the_malic_acid_is_asked_for_every_fortnight_while_it_runs() -> None:
    def asked(day: float, *of: What) -> bool:
        lot = fold(book(*of)).lots["lot"]
        told = reminders(lot, Profile(), BEGAN + int(day * DAY_MS), DONE)
        return any("Test the malic acid" in reminder.do for reminder in told)

    assert not asked(33, BACTERIA)
    assert asked(34.5, BACTERIA)
    assert not asked(34.5, BACTERIA, TRACES)
    assert not asked(60, BACTERIA, TRACES, GONE)
    assert not asked(60, WANTED)


def test_it_travels_as_json() -> None:
    assert entry_from_json(entry_to_json(entry(1, BEGUN))) == entry(1, BEGUN)
