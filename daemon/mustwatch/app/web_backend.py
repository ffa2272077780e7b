"""The pages' hand in the house: answers what they ask from the store, by the same views and rules as the commands."""

import logging
import sqlite3
import threading
from collections.abc import Callable, Mapping, Sequence
from datetime import date
from typing import Any

from fastapi import FastAPI

from mustwatch.alerting.alert import Alert
from mustwatch.alerting.one_tap import still_asks
from mustwatch.alerting.rules import tomorrow_ms
from mustwatch.app.one_tap_link import one_tap_of
from mustwatch.cellar.book import WHOLE_CELLAR, Entry, EntryKind
from mustwatch.cellar.history import in_force
from mustwatch.cellar.instant import iso
from mustwatch.cellar.measures import Measures
from mustwatch.cellar.naming import unknown_lot
from mustwatch.cellar.reading import Reading
from mustwatch.cellar.stock import stock
from mustwatch.config.label_sheets import label_sheets
from mustwatch.config.plan import measures_of, plan_of
from mustwatch.config.settings import Settings
from mustwatch.recording.recorder import Recorded, Recorder, RefusedError, WrittenBeforeError
from mustwatch.recording.setting_aside import NoSuchReadingError, SettingAside
from mustwatch.recording.typed import ManyWrongError, Typed
from mustwatch.recording.typed_entry import entry_typed
from mustwatch.recording.when import WhenError, end_of_day
from mustwatch.store.store import Store
from mustwatch.views.alerts import (
    AlertNotKnownError,
    AlertOverError,
    acknowledge_alert,
    alert_document,
    alerts_view,
    pictures,
    recall_alert,
    undelivered,
)
from mustwatch.views.book import page_of, record_of
from mustwatch.views.calendar import calendar_feed, feed_path, feed_token, is_feed_token
from mustwatch.views.cellar import cellar_view
from mustwatch.views.cellar_page import cellar_page
from mustwatch.views.due import due_things, due_view
from mustwatch.views.labels import LabelsError, labels_page
from mustwatch.views.labels import Wanted as LabelsWanted
from mustwatch.views.laid_over import laid_over
from mustwatch.views.lot import beginning, lot_curves, lot_view, lots_view
from mustwatch.views.night_page import night_page
from mustwatch.views.pulse import pulse
from mustwatch.views.sensors import quarantine_view, sensors_view
from mustwatch.views.stock import stock_view
from mustwatch.views.whatif import NoForecastError, whatif_view
from mustwatch.web.access import AccessRules
from mustwatch.web.app import create_app
from mustwatch.web.cellarhand import (
    Document,
    Fault,
    Manners,
    NotKnownError,
    NotPossibleError,
    Refused,
    Wish,
    Written,
)

log = logging.getLogger(__name__)

SESSIONS_LEFT = "sessions_left"
"""Name under which the sessions that were left are kept, with blanks between."""
VERSION_CACHE_KIB = 64
"""Page cache of the connection that only asks whether something was written."""

VERSIONS_PER_SECOND = 1_000
"""SQLite counts commits from the opening on: the daemon's start goes in front, so that no two runs' numbers agree."""


class StoreHand:
    """Implements ``mustwatch.web.cellarhand.Cellarhand`` over a store and its configuration."""

    def __init__(
        self,
        store: Store,
        settings: Settings,
        *,
        now_ms: Callable[[], int],
        health: Callable[[], tuple[bool, Document]] = lambda: (True, {}),
        metrics: Callable[[], Mapping[str, float]] = dict,
        wake: Callable[[], None] = lambda: None,
        listen: Callable[[], Document] | None = None,
    ) -> None:
        """Set up.

        Args:
            store, settings: the daemon's.
            now_ms: the daemon's clock.
            health: whether all is well, and what was looked at.
            metrics: counters and gauges by name, without the ``mustwatch_`` prefix.
            wake: has the watch look at the book, in which something was written.
            listen: what arrives on the broker, configured or not.
        """
        self._listen = listen
        self._wake = wake
        self._store = store
        self._settings = settings
        self._plan = plan_of(settings)
        self._now_ms = now_ms
        self._health = health
        self._metrics = metrics
        self._manners = Manners(settings.cellar.name, measures_of(settings))
        # A connection of its own sees every commit, the daemon's and those of commands typed beside it.
        self._witness = sqlite3.connect(
            f"{store.path.resolve().as_uri()}?mode=ro",
            uri=True,
            check_same_thread=False,
            isolation_level=None,
        )
        self._witness.execute(f"PRAGMA cache_size=-{VERSION_CACHE_KIB}")
        self._witness_lock = threading.Lock()
        self._version_base = now_ms() // 1000 * VERSIONS_PER_SECOND

    @property
    def manners(self) -> Manners:
        """Return how the cellar is called and its units."""
        return self._manners

    def now_ms(self) -> int:
        """Return the present, milliseconds since the epoch."""
        return self._now_ms()

    def version(self) -> int:
        """Return a number that changes whenever something was written, by whomever."""
        with self._witness_lock:
            return self._version_base + int(self._witness.execute("PRAGMA data_version").fetchone()[0])

    def close(self) -> None:
        """Close what was opened here; the store is its owner's to close."""
        with self._witness_lock:
            self._witness.close()

    # --- looking -------------------------------------------------------------------------------------------

    def cellar(self) -> Document:
        """Return the cellar's document, each alert with what to do."""
        now_ms = self._now_ms()
        document = cellar_view(self._store, self._settings, now_ms)
        document["alerts"] = alerts_view(self._store, self._plan, now_ms, past=False)
        return document

    def cellar_page(self) -> Document:
        """Return the cellar's document by need, as its page shows it."""
        return cellar_page(self._store, self._settings, self.cellar(), self._now_ms())

    def arriving(self) -> Document | None:
        """Return what arrives on the broker while no lot has begun."""
        is_first_hour = self._listen is not None and not self._store.book.history().lots
        return self._listen() if self._listen is not None and is_first_hour else None

    def pulse(self) -> Document:
        """Return when anything was heard last, and which sensors are silent."""
        broker = str(self._health()[1].get("broker", "connected"))
        return pulse(self._store, self._plan, self._now_ms(), broker)

    def night(self, day: date | None) -> Document:
        """Return the night's document."""
        return night_page(self._store, self._settings, self._now_ms(), day)

    def lots(self, sought: str = "") -> list[Document]:
        """Return every lot there ever was in which the words that are sought stand, newest first."""
        return lots_view(self._store, self._settings, self._now_ms(), sought)

    def laid_over(self, lots: Sequence[str], until_day: float | None = None) -> Document:
        """Return lots by the day since pitching.

        Raises:
            NotKnownError: one of them is not in the book.
        """
        known = self._store.book.history().lots
        for lot in lots:
            if lot not in known:
                raise NotKnownError(self._unknown_lot(lot))
        chosen = [known[lot] for lot in dict.fromkeys(lots)]
        return laid_over(self._store, self._settings, chosen, self._now_ms(), until_day)

    def lot(self, lot: str) -> Document:
        """Return what is known of a lot.

        Raises:
            NotKnownError: it is not in the book.
        """
        found = lot_view(self._store, self._settings, lot, self._now_ms())
        if found is None:
            raise NotKnownError(self._unknown_lot(lot))
        found["alerts"] = [a for a in self.alerts(past=False) if a["lot"] == lot]
        return found

    def curves(
        self, lot: str, from_ms: int | None, until_ms: int | None, points: int, last_days: int | None = None
    ) -> Document:
        """Return a lot's curves in a window.

        Raises:
            NotKnownError: the lot is not in the book.
        """
        found = lot_curves(
            self._store, self._settings, lot, self._now_ms(), from_ms, until_ms, points, last_days
        )
        if found is None:
            raise NotKnownError(self._unknown_lot(lot))
        return found

    def what_if(self, lot: str, celsius: float | None, by: str | None) -> Document:
        """Return when a lot is to be racked and ends if it is kept at another temperature.

        Raises:
            NotKnownError: the lot is not in the book.
            NotPossibleError: nothing can be foretold of it, or the day cannot be read.
        """
        now_ms = self._now_ms()
        try:
            by_ms = None if not by else end_of_day(by, now_ms, self._manners.measures.zone)
            found = whatif_view(self._store, self._settings, lot, now_ms, celsius, by_ms)
        except (NoForecastError, WhenError) as error:
            raise NotPossibleError(str(error)) from None
        if found is None:
            raise NotKnownError(self._unknown_lot(lot))
        return found

    def record_page(self, lot: str) -> str:
        """Return a lot's cellar record as a page to print.

        Raises:
            NotKnownError: the lot is not in the book.
        """
        record = record_of(self._store, self._settings, lot, self._now_ms())
        if record is None:
            raise NotKnownError(self._unknown_lot(lot))
        return page_of(self._store, self._settings, record, self._now_ms())

    def beginning(self) -> Document:
        """Return what a lot can begin with: free vessels and profiles."""
        return {"vessel": None, "choices": beginning(self._store, self._settings, self._now_ms())}

    def _unknown_lot(self, lot: str) -> str:
        return unknown_lot(lot, self._store.book.history().lots)

    def alerts(self, *, past: bool) -> list[Document]:
        """Return the alerts that hold, or those that are over."""
        return alerts_view(self._store, self._plan, self._now_ms(), past=past)

    def alert_pictures(self, ids: list[str]) -> Mapping[str, Document]:
        """Return for each alert about a lot the curve around it."""
        return pictures(self._store, ids, self._now_ms())

    def undelivered(self) -> list[Document]:
        """Return the messages that wait to be told, or were given up."""
        return undelivered(self._store, self._now_ms())

    def acknowledge(self, alert_id: str, *, until_tomorrow: bool = False) -> Document:
        """Note that somebody knows of an alert, for good or until tomorrow; return it.

        Raises:
            NotKnownError: there is none of that id.
            NotPossibleError: it is over.
        """
        cellar = self._settings.cellar
        morning_ms = tomorrow_ms(self._now_ms(), cellar.night_ends, self._manners.measures.zone)
        until_ms = morning_ms if until_tomorrow else None
        return self._answered(lambda now_ms: acknowledge_alert(self._store, alert_id, now_ms, until_ms))

    def recall(self, alert_id: str) -> Document:
        """Undo the acknowledging of an alert; return it.

        Raises:
            NotKnownError, NotPossibleError: as above.
        """
        return self._answered(lambda now_ms: recall_alert(self._store, alert_id, now_ms))

    def _answered(self, answer: Callable[[int], Alert]) -> Document:
        try:
            now_ms = self._now_ms()
            return alert_document(answer(now_ms), self._plan, now_ms, self._store)
        except AlertNotKnownError as error:
            raise NotKnownError(str(error)) from None
        except AlertOverError as error:
            raise NotPossibleError(str(error)) from None

    def told(self, token: str) -> Document:
        """Return the title of the message that a link came with, and what of it is still open.

        Raises:
            NotKnownError: the link is not ours, or has expired.
        """
        one_tap = one_tap_of(self._settings)
        message_id = None if one_tap is None else one_tap.message_id(token, self._now_ms())
        found = None if message_id is None else self._store.outbox.sent(message_id)
        if found is None:
            raise NotKnownError("This link has expired, or is not from a message of this cellar.")
        message = found[0].message
        held = [a for a in self._store.alerts.open() if a.id in message.alert_ids]
        return {"title": message.title, "ids": [a.id for a in held if still_asks(a, message)]}

    def sensors(self) -> list[Document]:
        """Return every sensor."""
        return sensors_view(self._store, self._plan, self._now_ms())

    def quarantine(self, limit: int) -> Document:
        """Return what could not be read."""
        return quarantine_view(self._store, limit)

    def set_aside(self, sensor: str, at: str, why: str) -> Document:
        """Set one reading aside.

        Raises:
            NotKnownError: there is no such reading.
            NotPossibleError: the instant cannot be read.
        """
        return self._moved(lambda setting: setting.set_aside(sensor, at, why))

    def put_back(self, sensor: str, at: str) -> Document:
        """Put a reading back that was set aside. Raises as ``set_aside`` does."""
        return self._moved(lambda setting: setting.put_back(sensor, at))

    def _moved(self, move: Callable[[SettingAside], Reading]) -> Document:
        try:
            reading = move(SettingAside(Recorder(self._store, self._settings, self._now_ms(), self._wake)))
        except NoSuchReadingError as error:
            raise NotKnownError(str(error)) from None
        except WhenError as error:
            raise NotPossibleError(str(error)) from None
        return {"sensor": reading.sensor, "observed_at": iso(reading.observed_ms)}

    # --- writing -------------------------------------------------------------------------------------------

    def record(self, wish: Wish) -> Written:
        """Write an entry by the rules of the book.

        Raises:
            NotPossibleError: with every field that cannot be read, its value and what was expected.
        """
        recorder = Recorder(self._store, self._settings, self._now_ms(), self._wake)
        said: list[str] = []
        try:
            typed = Typed(wish.fields, remark=said.append, measures=recorder.measures)
            at_ms, what = entry_typed(recorder, wish.lot, wish.kind, wish.at, typed)
        except ManyWrongError as error:
            raise NotPossibleError(str(error), [Fault(f.field, str(f)) for f in error.faults]) from None
        entry = recorder.entry(wish.lot, at_ms, what, wish.despite or None, wish.entry_id)
        try:
            recorded = recorder.write(entry)
        except RefusedError as error:
            return Written(refused=_refused(error))
        except WrittenBeforeError:
            return Written(entry.id, is_repeat=True)
        floats = _float_remarks(recorded, recorder.measures)
        return Written(entry.id, (*said, *recorded.sensors, *recorded.cautions, *floats))

    def undo(self, lot: str, entry_id: str) -> Written:
        """Take an entry back by the rules of the book.

        Raises:
            NotKnownError: no such entry of that lot is in force.
        """
        recorder = Recorder(self._store, self._settings, self._now_ms(), self._wake)
        entry = _in_force(recorder, lot, entry_id)
        try:
            recorder.undo(entry)
        except RefusedError as error:
            return Written(refused=_refused(error))
        return Written(entry.id)

    def move_entry(self, lot: str, entry_id: str, to: str, despite: str | None) -> Written:
        """Write an entry of a lot into another's book by the rules of both; it is undone where it was.

        Raises:
            NotKnownError: no such entry of that lot is in force.
        """
        recorder = Recorder(self._store, self._settings, self._now_ms(), self._wake)
        try:
            recorded = recorder.move_to(to, _in_force(recorder, lot, entry_id), despite)
        except RefusedError as error:
            return Written(refused=_refused(error))
        return Written(recorded.entry.id, recorded.cautions)

    # --- what is due ---------------------------------------------------------------------------------------

    def due(self, ahead_days: int | None) -> Document:
        """Return what is due now, or will be within days; with None all that is to come."""
        return due_view(self._store, self._settings, self._now_ms(), ahead_days)

    def attend(self, due_id: str, act: str, until: str | None, entry_id: str | None = None) -> Written:
        """Note that a thing that is due was done, put off or dropped.

        Raises:
            NotKnownError: nothing that is due has that id.
            NotPossibleError: it is done by another entry, or the day cannot be read.
        """
        things = due_things(self._store, self._settings, self._now_ms())
        thing = next((t for t in things if t.id == due_id), None)
        if thing is None:
            raise NotKnownError(f"nothing that is due has the id {due_id!r}")
        fields = {"item": thing.item, "act": act, "until": until}
        return self.record(Wish(thing.lot or WHOLE_CELLAR, EntryKind.ATTEND, fields, entry_id=entry_id))

    def remind(self, lot: str | None, fields: Mapping[str, Any], entry_id: str | None = None) -> Written:
        """Set a reminder: ``text``, ``on``, ``every``, about a lot or the whole cellar.

        Raises:
            NotPossibleError: a field cannot be read.
        """
        return self.record(Wish(lot or WHOLE_CELLAR, EntryKind.REMIND, fields, entry_id=entry_id))

    def labels(self, lot: str, wanted: Mapping[str, Any]) -> str:
        """Return a sheet of labels to print.

        Raises:
            NotKnownError: there is no such lot.
            NotPossibleError: there is no such sheet, or a number cannot be.
        """
        history = self._store.book.history().lots.get(lot)
        if history is None:
            raise NotKnownError(self._unknown_lot(lot))
        address = self._settings.web.base_url or wanted.get("address")
        try:
            return labels_page(
                self._store, self._settings, history, LabelsWanted(**{**wanted, "address": address})
            )
        except LabelsError as error:
            raise NotPossibleError(str(error)) from None

    def label_sheets(self) -> list[str]:
        """Return the names of the sheets of labels."""
        return list(label_sheets())

    def stock(self) -> Document:
        """Return the stock of bottles."""
        return stock_view(self._store, self._settings, self._now_ms())

    def take_bottles(
        self, row_id: str, fields: Mapping[str, Any], at: str | None = None, entry_id: str | None = None
    ) -> Written:
        """Note that bottles of a bottling were opened, given away or lost.

        Raises:
            NotKnownError: there is no such bottling.
            NotPossibleError: a field cannot be read.
        """
        row = next((r for r in stock(self._store.book.entries()) if r.id == row_id), None)
        if row is None:
            raise NotKnownError(f"no bottling has the id {row_id!r}")
        wish = Wish(row.entry.lot, EntryKind.STOCK, {**fields, "bottling": row.id}, at, entry_id=entry_id)
        return self.record(wish)

    def calendar_path(self, *, renew: bool = False) -> str:
        """Return the path of the calendar feed; ``renew`` gives it another, and the old one is gone."""
        return feed_path(feed_token(self._store, renew=renew))

    def calendar(self, token: str) -> bytes:
        """Return the calendar feed.

        Raises:
            NotKnownError: the token is not the feed's.
        """
        if not is_feed_token(self._store, token):
            raise NotKnownError("There is no such calendar: mustwatch calendar shows its address.")
        return calendar_feed(self._store, self._settings, self._now_ms())

    # --- how the daemon is ---------------------------------------------------------------------------------

    def sessions_left(self) -> list[str]:
        """Return the sessions that were left."""
        return str(self._store.watching.kept(SESSIONS_LEFT) or "").split()

    def keep_sessions_left(self, left: list[str]) -> None:
        """Keep which sessions were left; on a full card they have ended all the same, up to a restart."""
        try:
            self._store.watching.keep(SESSIONS_LEFT, " ".join(left))
        except sqlite3.OperationalError:
            log.warning("a session that was left could not be noted", exc_info=True)

    def health(self) -> tuple[bool, dict[str, Any]]:
        """Return whether all is well, and what was looked at."""
        return self._health()

    def metrics(self) -> Mapping[str, float]:
        """Return counters and gauges."""
        return self._metrics()


_COMMANDS_WORDS = (
    ('take it with --despite "reason"', "give a reason why you take it all the same"),
    ("--at", "time"),
    ("--litres", "litres"),
    ("(--bottle-ml)", "of the bottles"),
)


def _in_force(recorder: Recorder, lot: str, entry_id: str) -> Entry:
    of_lot = recorder.history.lots.get(lot)
    # A transfer is in the books of all lots that it touched, whichever it was written for.
    own = {e.id for e in of_lot.entries if e.at_ms >= of_lot.born_ms} if of_lot is not None else set()
    held = (e for e in in_force(recorder.entries) if e.lot == lot or e.id in own)
    entry = next((e for e in held if e.id == entry_id), None)
    if entry is None:
        raise NotKnownError(f"no entry {entry_id!r} of lot {lot!r} is in force")
    return entry


def _refused(error: RefusedError) -> tuple[Refused, ...]:
    """Return why an entry is refused, in the words of forms instead of the commands' options."""
    found = []
    for refusal in error.refusals:
        line = refusal.line
        for of_commands, of_forms in _COMMANDS_WORDS:
            line = line.replace(of_commands, of_forms)
        found.append(Refused(refusal.reason.value, line, refusal.can_be_overruled))
    return tuple(found)


def _float_remarks(recorded: Recorded, measures: Measures) -> list[str]:
    """Return what a check says of the floats."""
    return [
        f"{f.sensor} says {measures.gravity(f.gravity_float, 4)}, "
        + (
            f"adrift by {measures.gravity_change(f.apart, f.gravity_check, 4, sign=True)}, more than the "
            f"{measures.gravity_change(f.allowed, f.gravity_check, 4)} both errors allow: gas lifts a hydrometer and "
            "foam a float; shake the sample, clean the float, dip again"
            if f.is_adrift
            else "which agrees"
        )
        for f in recorded.floats
    ]


def web_app(hand: StoreHand, settings: Settings) -> FastAPI:
    """Return the application that serves the pages, by the access rules of the configuration."""
    web = settings.web
    token = web.token.get_secret_value() if web.token is not None else None
    return create_app(hand, AccessRules(token, web.base_url))
