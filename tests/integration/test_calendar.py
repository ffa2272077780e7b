"""The calendar feed: read by another library than the one that writes it, and held to RFC 5545, before and after changes."""

import re
from collections.abc import Iterator
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
import vobject

from mustwatch.cellar.book import WHOLE_CELLAR, Act, Attended, Entry, OwnReminder, Racking, Start, What
from mustwatch.cellar.due import day_ms
from mustwatch.cellar.instant import DAY_MS, HOUR_MS, to_ms
from mustwatch.config.settings import Settings
from mustwatch.store.store import Store
from mustwatch.views.calendar import CANCELLED_MS, calendar_feed, feed_token, is_feed_token

VIENNA = ZoneInfo("Europe/Vienna")
SETTINGS = Settings.model_validate(
    {
        "cellar": {"name": "Hillside, upper; cellar", "timezone": "Europe/Vienna"},
        "vessel": [{"name": name, "kind": "carboy", "litres": 30} for name in ("bucket", "carboy")],
    }
)
NOW_MS = to_ms(datetime(2026, 10, 1, 9, tzinfo=VIENNA))
LONG = (
    "Größe prüfen, dann „Kork & Kapsel“ bestellen; sonst fehlt's im März – wieder! \\n ist kein Umbruch " * 3
)


class Feed:
    """A store, and what its feed says at an instant."""

    def __init__(self, path: Path) -> None:
        self.store = Store(path, NOW_MS)
        self.texts: list[str] = []

    def write(self, what: What, name: str = "", lot: str = WHOLE_CELLAR, at_ms: int = NOW_MS) -> None:
        self.store.book.append(Entry(name or f"{at_ms}{what.kind}", lot, at_ms, at_ms, what))

    def at(self, now_ms: int = NOW_MS) -> dict[str, Any]:
        """Return the events by their UID, as the other library reads them, and hold the text to the RFC."""
        text = calendar_feed(self.store, SETTINGS, now_ms).decode("utf-8")
        hold_to_the_rfc(text)
        self.texts.append(text)
        return {event.uid.value: event for event in vobject.readOne(text).contents.get("vevent", [])}


def hold_to_the_rfc(text: str) -> None:
    """RFC 5545: 3.1 lines of at most 75 octets ended by CR LF; 3.6, 3.6.1 what has to be there, and once."""
    assert text.endswith("\r\n")
    assert "\n" not in text.replace("\r\n", "")
    assert "\r" not in text.replace("\r\n", "")
    for line in text.split("\r\n"):
        assert len(line.encode("utf-8")) <= 75, line
    lines = re.sub(r"\r\n[ \t]", "", text).split("\r\n")[:-1]
    assert lines[0] == "BEGIN:VCALENDAR"
    assert lines[-1] == "END:VCALENDAR"
    assert lines.count("VERSION:2.0") == 1
    assert sum(line.startswith("PRODID:") for line in lines) == 1
    names = [re.split("[:;]", line)[0] for line in lines]
    begins = [n for n, line in enumerate(lines) if line == "BEGIN:VEVENT"]
    uids = []
    for begin in begins:
        of = names[begin : lines.index("END:VEVENT", begin)]
        for needed in ("UID", "DTSTAMP", "DTSTART"):
            assert of.count(needed) == 1, needed
        for at_most_once in (
            "SEQUENCE",
            "STATUS",
            "SUMMARY",
            "DESCRIPTION",
            "DTEND",
            "TRANSP",
            "LAST-MODIFIED",
        ):
            assert of.count(at_most_once) <= 1, at_most_once
        body = dict(line.split(":", 1) for line in lines[begin : lines.index("END:VEVENT", begin)])
        assert re.fullmatch(r"\d{8}T\d{6}Z", body["DTSTAMP"])  # 3.8.7.2: DTSTAMP is in UTC
        assert re.fullmatch(r"\d{8}", body["DTSTART;VALUE=DATE"])
        assert body["STATUS"] in ("CONFIRMED", "CANCELLED")
        uids.append(body["UID"])
    assert len(set(uids)) == len(uids)


@pytest.fixture
def feed(tmp_path: Path) -> Iterator[Feed]:
    made = Feed(tmp_path / "cellar.db")
    yield made
    made.store.close()


def only(events: dict[str, Any]) -> Any:
    (event,) = events.values()
    return event


def test_an_empty_cellar_has_an_empty_feed(feed: Feed) -> None:
    assert feed.at() == {}


def test_a_reminder_is_an_event_of_its_day_whatever_letters_it_has(feed: Feed) -> None:
    feed.write(OwnReminder(LONG.strip(), "2027-03-01", "P1Y"))

    event = only(feed.at())
    assert event.summary.value == LONG.strip()
    assert event.dtstart.value == date(2027, 3, 1)
    assert event.dtend.value == date(2027, 3, 2)
    assert "every year" in event.description.value
    assert event.transp.value == "TRANSPARENT"


def test_what_is_put_off_moves_under_its_uid_with_a_higher_sequence(feed: Feed) -> None:
    feed.write(OwnReminder("taste it", "2026-10-10"), "r")
    before = only(feed.at())
    again = only(feed.at(NOW_MS + DAY_MS))
    assert (again.sequence.value, again.dtstamp.value) == ("0", before.dtstamp.value)

    later_ms = day_ms(date(2026, 10, 20), VIENNA)
    feed.write(Attended("r", Act.PUT_OFF, later_ms), at_ms=NOW_MS + DAY_MS)
    moved = only(feed.at(NOW_MS + DAY_MS + HOUR_MS))
    assert moved.uid.value == before.uid.value
    assert moved.sequence.value == "1"
    assert moved.dtstart.value == date(2026, 10, 20)
    assert moved.dtstamp.value == before.dtstamp.value + timedelta(hours=25)


def test_what_is_done_is_cancelled_for_a_while_and_back_when_that_is_undone(feed: Feed) -> None:
    feed.write(OwnReminder("order corks", "2026-10-10"), "r")
    uid = only(feed.at()).uid.value
    done = Entry("d", WHOLE_CELLAR, NOW_MS + HOUR_MS, NOW_MS + HOUR_MS, Attended("r", Act.DONE))
    feed.store.book.append(done)

    gone = feed.at(NOW_MS + 2 * HOUR_MS)[uid]
    assert (gone.status.value, gone.sequence.value, gone.summary.value) == ("CANCELLED", "1", "order corks")
    assert feed.at(NOW_MS + 2 * HOUR_MS + CANCELLED_MS - 1)[uid].sequence.value == "1"

    feed.store.book.undo(done, NOW_MS + 3 * HOUR_MS)
    back = feed.at(NOW_MS + 4 * HOUR_MS)[uid]
    assert (back.status.value, back.sequence.value) == ("CONFIRMED", "2")
    feed.write(Attended("r", Act.DROPPED), at_ms=NOW_MS + 5 * HOUR_MS)
    feed.at(NOW_MS + 5 * HOUR_MS)
    assert feed.at(NOW_MS + 5 * HOUR_MS + CANCELLED_MS) == {}


def test_what_comes_again_is_its_next_time(feed: Feed) -> None:
    feed.write(OwnReminder("taste it", "2026-10-10", "P6W"), "r")
    uid = only(feed.at()).uid.value
    feed.write(Attended("r", Act.DONE), at_ms=NOW_MS + 9 * DAY_MS)

    event = feed.at(NOW_MS + 9 * DAY_MS)[uid]
    assert (event.dtstart.value, event.sequence.value, event.status.value) == (
        date(2026, 11, 21),
        "1",
        "CONFIRMED",
    )


def test_steps_and_rounds_of_a_lot_are_there_and_a_forecast_says_its_interval(feed: Feed) -> None:
    began_ms = NOW_MS - 3 * DAY_MS
    feed.write(Start("bucket", gravity=1.090, litres=23.0), lot="red", at_ms=began_ms)
    days = [NOW_MS + int(day * DAY_MS) for day in (4.0, 3.0, 6.0)]
    feed.store.watching.save_now("red", {"gravity": 1.04, "gravity_sd": 0.001, "at_ms": NOW_MS, "rack": days})

    events = {e.summary.value: e for e in feed.at().values()}
    racking = next(e for name, e in events.items() if name.startswith("red: Rack off the gross lees"))
    assert racking.dtstart.value == date(2026, 10, 5)
    assert "Forecast: about Mon 5 Oct, between Sun 4 Oct and Wed 7 Oct." in racking.description.value
    assert "Have ready: a clean, sanitised vessel for 23 L" in racking.description.value
    assert "red: Dip the hydrometer" in events

    feed.write(Racking("carboy", gravity=1.008), lot="red", at_ms=NOW_MS + HOUR_MS)
    after = feed.at(NOW_MS + 2 * HOUR_MS)
    assert after[racking.uid.value].status.value == "CANCELLED"
    assert "red: Look at the airlock of carboy: liquid up to its mark, bung tight" in {
        e.summary.value for e in after.values()
    }


@pytest.mark.parametrize(
    ("due_at", "day"),
    [
        ("2026-10-24T23:30:00+02:00", date(2026, 10, 24)),
        ("2026-10-25T00:30:00+02:00", date(2026, 10, 25)),
        ("2026-10-25T23:30:00+01:00", date(2026, 10, 25)),
        ("2027-03-27T23:30:00+01:00", date(2027, 3, 27)),
        ("2027-03-28T23:30:00+02:00", date(2027, 3, 28)),
        ("2027-03-29T00:30:00+02:00", date(2027, 3, 29)),
    ],
)
def test_a_forecast_falls_on_the_day_by_the_cellars_clock_around_the_days_the_clocks_are_set(
    feed: Feed, due_at: str, day: date
) -> None:
    """Europe/Vienna: 25 October 2026 has 25 hours, 28 March 2027 has 23 (IANA tz database)."""
    due_ms = to_ms(datetime.fromisoformat(due_at))
    feed.write(Start("bucket", gravity=1.090), lot="red", at_ms=due_ms - 9 * DAY_MS)
    now = {"gravity": 1.04, "at_ms": due_ms - DAY_MS, "rack": [due_ms, due_ms - HOUR_MS, due_ms + HOUR_MS]}
    feed.store.watching.save_now("red", now)

    events = feed.at(due_ms - DAY_MS).values()
    assert next(e for e in events if "Rack off" in e.summary.value).dtstart.value == day


def test_the_address_is_a_secret_that_can_be_renewed(feed: Feed) -> None:
    assert not is_feed_token(feed.store, "")
    token = feed_token(feed.store)
    assert len(token) >= 32
    assert feed_token(feed.store) == token
    assert is_feed_token(feed.store, token)
    assert not is_feed_token(feed.store, token[:-1] + "é")
    assert feed_token(feed.store, renew=True) != token
    assert not is_feed_token(feed.store, token)
