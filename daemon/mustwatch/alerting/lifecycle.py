"""The life of an alert as a table. An illegal move raises and changes nothing.

The moves below are the only functions that change an alert's state; telling changes none of it.
"""

from collections.abc import Mapping
from dataclasses import replace
from enum import StrEnum

from mustwatch.alerting.alert import MAX_RAISES, Alert, Raise, State
from mustwatch.watch.finding import RANK, Figures, Subject


class Move(StrEnum):
    """What can happen to an alert."""

    RISE = "rises"
    EASE = "eases"
    ACKNOWLEDGE = "is acknowledged"
    RECALL = "is asked about again"
    CLEAR = "ceases"
    WITHDRAW = "is seen never to have held"
    REINSTATE = "is seen to hold after all"


TABLE: Mapping[State, Mapping[Move, State]] = {
    State.OPEN: {
        Move.RISE: State.OPEN,
        Move.EASE: State.OPEN,
        Move.ACKNOWLEDGE: State.ACKNOWLEDGED,
        Move.CLEAR: State.CLEARED,
        Move.WITHDRAW: State.WITHDRAWN,
    },
    State.ACKNOWLEDGED: {
        # Somebody acknowledged less than this: it is open again, told and repeated.
        Move.RISE: State.OPEN,
        Move.EASE: State.ACKNOWLEDGED,
        Move.ACKNOWLEDGE: State.ACKNOWLEDGED,
        Move.RECALL: State.OPEN,
        Move.CLEAR: State.CLEARED,
        Move.WITHDRAW: State.WITHDRAWN,
    },
    State.CLEARED: {Move.WITHDRAW: State.WITHDRAWN, Move.REINSTATE: State.OPEN},
    State.WITHDRAWN: {Move.REINSTATE: State.OPEN},
}
"""Every legal move. Reinstating and withdrawing belong to ``reconcile`` alone."""


class IllegalMoveError(Exception):
    """The alert cannot make this move from the state it is in; nothing was changed."""

    def __init__(self, alert: Alert, move: Move) -> None:
        """Name the alert, its state, the move and what is possible instead."""
        possible = ", ".join(f"it {m.value}" for m in TABLE[alert.state])
        super().__init__(
            f"alert {alert.id} is {alert.state.value}: not possible that it {move.value}; {possible}"
        )
        self.alert = alert
        self.move = move


def after(state: State, move: Move) -> State | None:
    """Return the state a move leads to, or None if it is not possible."""
    return TABLE[state].get(move)


def _require(alert: Alert, move: Move) -> State:
    state = after(alert.state, move)
    if state is None:
        raise IllegalMoveError(alert, move)
    return state


def raise_to(alert: Alert, raised: Raise, subject: Subject, noticed_ms: int) -> Alert:
    """Return the alert holding at another severity from an instant on.

    Raises:
        IllegalMoveError: it is over.
    """
    highest = max(RANK[was.severity] for was in alert.raises)
    move = Move.RISE if RANK[raised.severity] > highest else Move.EASE
    state = _require(alert, move)
    raises = (*alert.raises, raised)
    if len(raises) > MAX_RAISES:
        raises = (raises[0], *raises[-(MAX_RAISES - 1) :])
    return replace(
        alert,
        raises=raises,
        subject=subject,
        noticed_ms=noticed_ms,
        acknowledged_ms=alert.acknowledged_ms if state is State.ACKNOWLEDGED else None,
        put_off_ms=alert.put_off_ms if state is State.ACKNOWLEDGED else None,
    )


def acknowledge(alert: Alert, at_ms: int, until_ms: int | None = None) -> Alert:
    """Return the alert acknowledged, for good or until an instant; one that was acknowledged keeps its first instant.

    Raises:
        IllegalMoveError: it is over, there is nothing left to acknowledge.
    """
    _require(alert, Move.ACKNOWLEDGE)
    first_ms = at_ms if alert.acknowledged_ms is None else alert.acknowledged_ms
    return replace(alert, acknowledged_ms=first_ms, put_off_ms=until_ms)


def recall(alert: Alert, at_ms: int) -> Alert:
    """Return the alert open again: its acknowledging is undone.

    Raises:
        IllegalMoveError: it is not acknowledged.
    """
    _require(alert, Move.RECALL)
    return replace(alert, acknowledged_ms=None, put_off_ms=None, recalled_ms=at_ms)


def come_due(alert: Alert, now_ms: int) -> Alert:
    """Return the alert open again if it was put off until now, else as it is; it is told anew."""
    is_due = alert.state is State.ACKNOWLEDGED and alert.put_off_ms is not None and alert.put_off_ms <= now_ms
    return replace(alert, acknowledged_ms=None, recalled_ms=alert.put_off_ms) if is_due else alert


def clear(alert: Alert, at_ms: int, evidence: Figures, noticed_ms: int) -> Alert:
    """Return the alert over since an instant (never before it opened).

    Raises:
        IllegalMoveError: it is over already.
    """
    _require(alert, Move.CLEAR)
    return replace(
        alert, cleared_ms=max(at_ms, alert.raises[-1].at_ms), cleared_evidence=evidence, noticed_ms=noticed_ms
    )


def withdraw(alert: Alert, noticed_ms: int) -> Alert:
    """Return the alert taken back: seen from what is known now, it never held.

    Raises:
        IllegalMoveError: it is withdrawn already.
    """
    _require(alert, Move.WITHDRAW)
    cleared_ms = alert.cleared_ms if alert.cleared_ms is not None else alert.raises[-1].at_ms
    told = {
        name: replace(telling, is_end_told=False) if telling.severity is not None else telling
        for name, telling in alert.tellings.items()
    }
    return replace(
        alert, is_withdrawn=True, cleared_ms=cleared_ms, noticed_ms=noticed_ms, tellings=told, is_filed=False
    )


def reinstate(alert: Alert, noticed_ms: int) -> Alert:
    """Return an alert that was cleared or withdrawn as open again; whoever heard its end is told anew.

    Raises:
        IllegalMoveError: it is open.
    """
    _require(alert, Move.REINSTATE)
    told = {
        name: replace(telling, severity=None, is_end_told=False) if telling.is_end_told else telling
        for name, telling in alert.tellings.items()
    }
    return replace(
        alert,
        is_withdrawn=False,
        cleared_ms=None,
        cleared_evidence={},
        acknowledged_ms=None,
        put_off_ms=None,
        noticed_ms=noticed_ms,
        tellings=told,
        is_filed=False,
    )


def arrived(alert: Alert, at_ms: int) -> Alert:
    """Return the alert knowing that a message about it arrived; the first arrival is the one that is kept."""
    return alert if alert.told_ms is not None else replace(alert, told_ms=at_ms)


def diagram() -> str:
    """Return the table as a Mermaid state diagram, for DEVELOPERS.md; a test keeps the two the same."""
    lines = ["```mermaid", "stateDiagram-v2", "    [*] --> open: is raised"]
    for state, moves in TABLE.items():
        lines += [f"    {state.value} --> {target.value}: {move.value}" for move, target in moves.items()]
    lines += [f"    {state.value} --> [*]: is filed" for state in (State.CLEARED, State.WITHDRAWN)]
    return "\n".join([*lines, "```"])
