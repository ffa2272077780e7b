"""The malolactic ferment as a small course of its own: wanted, begun, tested, done or prevented.

Bacteria turn malic acid into lactic acid and CO2, in the wine or, uncalled, in the bottle. They bear little sulfite,
and they turn sorbate into what smells of geraniums, which nothing takes out again. Common practice throughout.
"""

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from mustwatch.cellar.additions import Purpose, purpose_of
from mustwatch.cellar.analysis import Measured, Quantity, newest
from mustwatch.cellar.book import (
    Addition,
    Bottling,
    Entry,
    Malic,
    Malolactic,
    MalolacticState,
    Measurement,
    What,
)
from mustwatch.cellar.instant import DAY_MS
from mustwatch.cellar.refusal import Reason, Refusal, RefusalKind
from mustwatch.cellar.so2 import so2_mg

TEST_EVERY_DAYS = 14.0
"""While it runs malic acid is tested so often. Common practice, no source."""


class Course(NamedTuple):
    """Where the malolactic ferment stands, since when, and the newest test of malic acid."""

    state: MalolacticState
    since_ms: int
    tested: Measured | None

    @property
    def runs(self) -> bool:
        """Return whether it is under way."""
        return self.state is MalolacticState.BEGUN


def course(entries: Sequence[Entry], at_ms: int) -> Course | None:
    """Return the course at an instant, or None where the book says nothing of it.

    Bacteria added have begun it; a test that shows malic acid gone has ended it.
    """
    now: tuple[MalolacticState, int] | None = None
    for entry in entries:
        said = _said(entry.what, None if now is None else now[0])
        if entry.at_ms <= at_ms and said is not None:
            now = (said, entry.at_ms)
    return None if now is None else Course(*now, newest(entries, Quantity.MALIC, at_ms))


def _said(what: What, now: MalolacticState | None) -> MalolacticState | None:
    """Return the state that an entry leads to, or None where it changes nothing."""
    if isinstance(what, Malolactic):
        return what.state
    if isinstance(what, Addition) and purpose_of(what) is Purpose.BACTERIA:
        return MalolacticState.BEGUN
    awaited = now in (MalolacticState.WANTED, MalolacticState.BEGUN)
    is_gone = isinstance(what, Measurement) and what.malic is Malic.GONE
    return MalolacticState.DONE if awaited and is_gone else None


def next_test_ms(entries: Sequence[Entry], at_ms: int) -> int | None:
    """Return when malic acid is to be tested next, or None while no malolactic ferment runs."""
    now = course(entries, at_ms)
    if now is None or not now.runs:
        return None
    last_ms = now.since_ms if now.tested is None else max(now.since_ms, now.tested.at_ms)
    return int(last_ms + TEST_EVERY_DAYS * DAY_MS)


def malolactic_gates(entry: Entry, entries: Sequence[Entry]) -> Iterator[Refusal]:
    """Yield why an entry has to wait for the malolactic ferment, or would spoil the wine because of it."""
    what, now, lot = entry.what, course(entries, entry.at_ms), entry.lot
    runs = now is not None and now.runs
    if runs and isinstance(what, Addition) and so2_mg(what) != 0.0:
        yield _runs(
            f"No sulfite into {lot!r} yet: its malolactic ferment runs, and sulfite stops the bacteria", lot
        )
    elif runs and isinstance(what, Bottling):
        yield _runs(
            f"Bottling {lot!r} is too early: its malolactic ferment makes gas and haze in the bottle", lot
        )
    before = [e.what for e in entries if e.at_ms <= entry.at_ms]
    if (_is_sorbate(what) and any(map(_brings_bacteria, before))) or (
        _brings_bacteria(what) and any(map(_is_sorbate, before))
    ):
        line = (
            f"sorbate and malolactic bacteria in one wine ({lot!r}): the bacteria turn sorbate into what smells of "
            "geraniums, and nothing takes that out again. Instead: leave out one of them; a wine after its malolactic "
            "ferment keeps by sulfite once it is dry"
        )
        yield Refusal(RefusalKind.GATE, Reason.GERANIUM_TAINT, line)


def _brings_bacteria(what: What) -> bool:
    """Return whether malolactic bacteria were added, or are said to be at work or to have been."""
    if isinstance(what, Malolactic):
        return what.state in (MalolacticState.BEGUN, MalolacticState.DONE)
    return isinstance(what, Addition) and purpose_of(what) is Purpose.BACTERIA


def _is_sorbate(what: What) -> bool:
    """Return whether something is sorbate, or a stabiliser that is not said to be sulfite."""
    if not isinstance(what, Addition):
        return False
    return "sorbate" in what.what.casefold() or (
        purpose_of(what) is Purpose.STABILISE and so2_mg(what) == 0.0
    )


def _runs(why: str, lot: str) -> Refusal:
    line = (
        f"{why}. Instead: test the malic acid until it is gone: mustwatch record measure {lot!r} --malic gone; "
        f"to end it now, first write mustwatch record malolactic {lot!r} prevented"
    )
    return Refusal(RefusalKind.GATE, Reason.MALOLACTIC_RUNS, line)
