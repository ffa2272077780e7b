"""What the pages need of the rest of the house, as a Protocol: the web opens no store and reads no configuration."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, NamedTuple, Protocol

from mustwatch.cellar.measures import Measures

Document = dict[str, Any]
"""A JSON document in the words of the commands' ``--json``."""


NIGHT_EARLIEST, NIGHT_LATEST = date(1970, 1, 2), date(9998, 12, 30)
"""Nights that may be asked for: those beside them have instants, too."""


class NotKnownError(LookupError):
    """There is no lot, vessel, alert or entry of that name; the text says which are known."""


class Fault(NamedTuple):
    """What is wrong with a field of a form (None: with no one field), in a line."""

    field: str | None
    line: str


class NotPossibleError(ValueError):
    """It cannot be done as things stand; the text says why and what to do.

    ``faults`` is the same by the fields that were typed, where it is about those.
    """

    def __init__(self, text: str, faults: Sequence[Fault] = ()) -> None:
        """Keep what is wrong."""
        super().__init__(text)
        self.faults = tuple(faults) or (Fault(None, text),)


@dataclass(frozen=True, slots=True)
class Manners:
    """What the cellar is called and how its people are told quantities and instants."""

    cellar: str
    measures: Measures


@dataclass(frozen=True, slots=True)
class Refused:
    """One reason why an entry was not written; ``can_be_overruled`` by a reason given."""

    reason: str
    line: str
    can_be_overruled: bool


@dataclass(frozen=True, slots=True)
class Written:
    """What came of an entry: written with its id, or refused; ``is_repeat``: its form was sent and written before."""

    entry_id: str | None = None
    remarks: tuple[str, ...] = ()
    refused: tuple[Refused, ...] = ()
    is_repeat: bool = False

    @property
    def can_be_overruled(self) -> bool:
        """Say whether a reason would take the entry all the same."""
        return bool(self.refused) and all(r.can_be_overruled for r in self.refused)


@dataclass(frozen=True, slots=True)
class Wish:
    """An entry somebody wants to write: what kind, of which lot, done when, with the fields of its kind.

    ``at`` is as people type it (``2026-09-01 18:30``), or None for now. Of a measurement, ``gravity_as_read`` with
    ``temperature_c`` is corrected to 20/20 by the rules, as the command does. ``entry_id`` is the id that a form
    carries for its one entry, 12 hex digits.
    """

    lot: str
    kind: str
    fields: Mapping[str, Any]
    at: str | None = None
    despite: str | None = None
    entry_id: str | None = None


class Cellarhand(Protocol):
    """Answers the pages' questions and does what their forms ask. Every method may be called from any thread."""

    @property
    def manners(self) -> Manners:
        """Return how the cellar is called and its units."""
        ...

    def now_ms(self) -> int:
        """Return the present, milliseconds since the epoch."""
        ...

    def version(self) -> int:
        """Return a number that changes whenever something was written, by whomever; cheap to ask each second."""
        ...

    def sessions_left(self) -> list[str]:
        """Return the sessions that were left, as kept."""
        ...

    def keep_sessions_left(self, left: list[str]) -> None:
        """Keep over a restart which sessions were left."""
        ...

    def cellar(self) -> Document:
        """Return the document of ``mustwatch cellar --json``."""
        ...

    def cellar_page(self) -> Document:
        """Return the same by need: each vessel with the alerts ``told`` of it, ``is_quiet``, a small ``curve``."""
        ...

    def arriving(self) -> Document | None:
        """Return what arrives on the broker, as ``mustwatch listen --json``; None once a lot has begun."""
        ...

    def pulse(self) -> Document:
        """Return how what is shown stands to the present.

        ``heard_at``, how many ``sensors`` there are, which are ``silent``, how the ``broker`` is, how many alerts are
        ``open``, and how many of them ``fresh``: not acknowledged.
        """
        ...

    def night(self, day: date | None) -> Document:
        """Return the document of ``mustwatch night --json`` with curves and the seven nights before."""
        ...

    def lots(self, sought: str = "") -> list[Document]:
        """Return every lot there ever was in which the words that are sought stand, newest first."""
        ...

    def laid_over(self, lots: Sequence[str], until_day: float | None = None) -> Document:
        """Return two to four lots by the day since pitching.

        Raises:
            NotKnownError: one of them is not in the book.
        """
        ...

    def lot(self, lot: str) -> Document:
        """Return what is known of a lot, its book included.

        Raises:
            NotKnownError: there is none of that name.
        """
        ...

    def curves(
        self, lot: str, from_ms: int | None, until_ms: int | None, points: int, last_days: int | None = None
    ) -> Document:
        """Return a lot's curves in a window or its last days, each of at most ``points`` that keep every extreme.

        Raises:
            NotKnownError: there is no such lot.
        """
        ...

    def what_if(self, lot: str, celsius: float | None, by: str | None) -> Document:
        """Return the document of ``mustwatch whatif --json``; ``by`` is a day as people type it, ``2026-10-12``.

        Raises:
            NotKnownError: there is no such lot.
            NotPossibleError: nothing can be foretold of it, or what was asked cannot be read.
        """
        ...

    def record_page(self, lot: str) -> str:
        """Return a lot's cellar record as a page to print, HTML with one style element and nothing else beside it.

        Raises:
            NotKnownError: there is no such lot.
        """
        ...

    def beginning(self) -> Document:
        """Return what a lot can begin with, as the ``choices`` of its form: free vessels and profiles."""
        ...

    def alerts(self, *, past: bool) -> list[Document]:
        """Return the alerts that hold, or those that are over, as ``mustwatch alerts --json``, with what to do."""
        ...

    def alert_pictures(self, ids: list[str]) -> Mapping[str, Document]:
        """Return for each alert the curve around it: what its evidence looked like."""
        ...

    def undelivered(self) -> list[Document]:
        """Return the messages that wait to be told, or were given up."""
        ...

    def acknowledge(self, alert_id: str, *, until_tomorrow: bool = False) -> Document:
        """Note that somebody knows of an alert, for good or until they are asked again tomorrow; return it.

        Raises:
            NotKnownError: there is none of that id.
            NotPossibleError: it is over.
        """
        ...

    def recall(self, alert_id: str) -> Document:
        """Undo the acknowledging of an alert; return it.

        Raises:
            NotKnownError, NotPossibleError: as above.
        """
        ...

    def told(self, token: str) -> Document:
        """Return the ``title`` of the message that a link came with, and the ``ids`` of what of it is still open.

        Raises:
            NotKnownError: the link is not ours, or has expired.
        """
        ...

    def sensors(self) -> list[Document]:
        """Return every sensor: last heard, battery, place, calibration with residuals."""
        ...

    def set_aside(self, sensor: str, at: str, why: str) -> Document:
        """Set one reading aside: out of all that is concluded and shown, but kept. Return which.

        Raises:
            NotKnownError: there is no such reading.
            NotPossibleError: the instant cannot be read.
        """
        ...

    def put_back(self, sensor: str, at: str) -> Document:
        """Put a reading back that was set aside. Raises as ``set_aside`` does."""
        ...

    def quarantine(self, limit: int) -> Document:
        """Return what could not be read: counts by reason, and the newest payloads."""
        ...

    def record(self, wish: Wish) -> Written:
        """Write an entry by the rules of the book.

        Raises:
            NotPossibleError: with every field that cannot be read, its value and what was expected.
        """
        ...

    def undo(self, lot: str, entry_id: str) -> Written:
        """Take an entry back by the rules of the book.

        Raises:
            NotKnownError: there is no such entry of that lot.
        """
        ...

    def move_entry(self, lot: str, entry_id: str, to: str, despite: str | None) -> Written:
        """Write an entry of a lot into another's book by the rules of both; it is undone where it was.

        Raises:
            NotKnownError: there is no such entry of that lot.
        """
        ...

    def due(self, ahead_days: int | None) -> Document:
        """Return the document of ``mustwatch due --json``: due now or within days; with None all that is to come."""
        ...

    def attend(self, due_id: str, act: str, until: str | None, entry_id: str | None = None) -> Written:
        """Note that a thing that is due was ``done``, ``put-off`` until a day, or ``dropped``.

        Raises:
            NotKnownError: nothing that is due has that id.
            NotPossibleError: it is done by another entry, or the day cannot be read.
        """
        ...

    def remind(self, lot: str | None, fields: Mapping[str, Any], entry_id: str | None = None) -> Written:
        """Set a reminder of ``text``, ``on`` a day, ``every`` span, about a lot or the whole cellar.

        Raises:
            NotPossibleError: a field cannot be read.
        """
        ...

    def labels(self, lot: str, wanted: Mapping[str, Any]) -> str:
        """Return a sheet of labels to print, HTML: ``of``, ``sheet``, ``count``, ``skip``, ``text``, ``address``.

        Raises:
            NotKnownError: there is no such lot.
            NotPossibleError: there is no such sheet, or a number cannot be.
        """
        ...

    def label_sheets(self) -> list[str]:
        """Return the names of the sheets of labels."""
        ...

    def stock(self) -> Document:
        """Return the document of ``mustwatch stock --json``."""
        ...

    def take_bottles(
        self, row_id: str, fields: Mapping[str, Any], at: str | None = None, entry_id: str | None = None
    ) -> Written:
        """Note that ``bottles`` of a bottling were ``opened``, ``given away`` or ``lost`` (``fate``), with a ``text``.

        Raises:
            NotKnownError: there is no such bottling.
            NotPossibleError: a field cannot be read.
        """
        ...

    def calendar_path(self, *, renew: bool = False) -> str:
        """Return the path of the calendar feed; ``renew`` gives it another, and the old one is gone."""
        ...

    def calendar(self, token: str) -> bytes:
        """Return the calendar feed, RFC 5545.

        Raises:
            NotKnownError: the token is not the feed's.
        """
        ...

    def health(self) -> tuple[bool, Document]:
        """Return whether all is well, and what was looked at."""
        ...

    def metrics(self) -> Mapping[str, float]:
        """Return counters and gauges by their name without the ``mustwatch_`` prefix."""
        ...
