"""The life of an alert: every move of the table, and what an illegal one does (nothing)."""

import re
from pathlib import Path

import pytest

from mustwatch.alerting import lifecycle
from mustwatch.alerting.alert import MAX_RAISES, Alert, Held, Raise, State, Telling
from mustwatch.alerting.lifecycle import TABLE, IllegalMoveError, Move
from mustwatch.watch.finding import Severity, Subject, kind_named

AT_MS = 1_788_300_000_000
SUBJECT = Subject("Elder Red", "bucket-1")
DEVELOPERS = Path(__file__).parents[2] / "DEVELOPERS.md"


def alert(state: State = State.OPEN, **told: Telling) -> Alert:
    """Return an alert in a state."""
    made = Alert(
        "too-warm-1",
        kind_named("too-warm"),
        SUBJECT,
        (Raise(AT_MS, Severity.WARNING, {"celsius": 27.0}),),
        AT_MS,
        tellings=told,
    )
    if state is State.ACKNOWLEDGED:
        return lifecycle.acknowledge(made, AT_MS + 1)
    if state is State.CLEARED:
        return lifecycle.clear(made, AT_MS + 2, {}, AT_MS + 2)
    if state is State.WITHDRAWN:
        return lifecycle.withdraw(made, AT_MS + 3)
    return made


def make(move: Move, of: Alert) -> Alert:
    """Return the alert after a move."""
    if move in (Move.RISE, Move.EASE):
        severity = Severity.URGENT if move is Move.RISE else Severity.NOTICE
        return lifecycle.raise_to(of, Raise(AT_MS + 5, severity), SUBJECT, AT_MS + 5)
    if move is Move.ACKNOWLEDGE:
        return lifecycle.acknowledge(of, AT_MS + 6)
    if move is Move.RECALL:
        return lifecycle.recall(of, AT_MS + 6)
    if move is Move.CLEAR:
        return lifecycle.clear(of, AT_MS + 7, {"celsius": 22.0}, AT_MS + 7)
    if move is Move.WITHDRAW:
        return lifecycle.withdraw(of, AT_MS + 8)
    return lifecycle.reinstate(of, AT_MS + 9)


@pytest.mark.parametrize("state", State)
@pytest.mark.parametrize("move", Move)
def test_a_move_leads_where_the_table_says_or_raises_and_changes_nothing(state: State, move: Move) -> None:
    before = alert(state)
    kept = before.to_json()
    leads_to = TABLE[state].get(move)

    if leads_to is not None:
        assert make(move, before).state is leads_to
    else:
        with pytest.raises(
            IllegalMoveError, match=f"alert too-warm-1 is {state.value}: not possible that it"
        ):
            make(move, before)
    assert before.to_json() == kept
    assert before.state is state


def test_a_rise_undoes_an_acknowledgement_because_somebody_acknowledged_less() -> None:
    assert make(Move.RISE, alert(State.ACKNOWLEDGED)).acknowledged_ms is None
    assert make(Move.EASE, alert(State.ACKNOWLEDGED)).acknowledged_ms == AT_MS + 1


def test_acknowledging_twice_keeps_the_first_instant() -> None:
    assert make(Move.ACKNOWLEDGE, alert(State.ACKNOWLEDGED)).acknowledged_ms == AT_MS + 1


def test_an_alert_never_ends_before_it_began() -> None:
    assert lifecycle.clear(alert(), AT_MS - 60_000, {}, AT_MS).cleared_ms == AT_MS


def test_who_was_told_the_end_is_told_anew_when_it_holds_after_all() -> None:
    told = Telling(severity=Severity.WARNING, told_ms=AT_MS, times=2, is_end_told=True)

    reinstated = lifecycle.reinstate(alert(State.CLEARED, phone=told), AT_MS + 9)

    assert reinstated.told("phone").severity is None
    assert reinstated.told("phone").times == 2


def test_who_was_told_is_told_that_it_never_held_even_after_its_end() -> None:
    told = Telling(severity=Severity.WARNING, told_ms=AT_MS, times=2, is_end_told=True)
    untold = Telling(held=Held.QUIET_HOURS)

    withdrawn = lifecycle.withdraw(alert(State.CLEARED, phone=told, other=untold), AT_MS + 9)

    assert not withdrawn.told("phone").is_end_told
    assert withdrawn.told("other") == untold


def test_the_first_and_the_latest_raises_are_kept_when_there_are_very_many() -> None:
    fluttering = alert()
    for n in range(1, 100):
        severity = Severity.URGENT if n % 2 else Severity.WARNING
        fluttering = lifecycle.raise_to(fluttering, Raise(AT_MS + n, severity), SUBJECT, AT_MS + n)

    assert len(fluttering.raises) == MAX_RAISES
    assert fluttering.opened_ms == AT_MS
    assert fluttering.raises[-1].at_ms == AT_MS + 99


def test_only_the_first_arrival_counts_as_told() -> None:
    assert lifecycle.arrived(lifecycle.arrived(alert(), 5), 9).told_ms == 5


def test_the_diagram_draws_every_move_of_the_table() -> None:
    drawn = set(re.findall(r"^ {4}(\w+) --> (\w+): (.+)$", lifecycle.diagram(), re.MULTILINE))

    assert drawn == {
        (state.value, target.value, move.value)
        for state, moves in TABLE.items()
        for move, target in moves.items()
    }


def test_the_developers_page_shows_the_table_as_it_is() -> None:
    assert lifecycle.diagram() in DEVELOPERS.read_text(encoding="utf-8")


def test_what_was_put_off_is_open_again_when_its_time_has_come_and_not_before() -> None:
    put_off = lifecycle.acknowledge(alert(), AT_MS, AT_MS + 3_600_000)

    assert put_off.state is State.ACKNOWLEDGED
    assert lifecycle.come_due(put_off, AT_MS + 3_600_000 - 1) == put_off
    due = lifecycle.come_due(put_off, AT_MS + 3_600_000)
    assert due.state is State.OPEN
    assert due.recalled_ms == AT_MS + 3_600_000
    for_good = lifecycle.acknowledge(put_off, AT_MS)
    assert lifecycle.come_due(for_good, AT_MS + 100 * 3_600_000).state is State.ACKNOWLEDGED


def test_an_acknowledging_can_be_undone_and_only_that() -> None:
    known = lifecycle.acknowledge(alert(), AT_MS, AT_MS + 3_600_000)

    back = lifecycle.recall(known, AT_MS + 1)

    assert (back.state, back.put_off_ms, back.recalled_ms) == (State.OPEN, None, AT_MS + 1)
    with pytest.raises(lifecycle.IllegalMoveError):
        lifecycle.recall(back, AT_MS + 2)
