"""What is due as an iCalendar feed (RFC 5545) that a phone subscribes to.

Each thing is one event of a whole day, under one UID for as long as it lasts: put off or forecast otherwise it moves,
and its SEQUENCE rises; done for good, or dropped, it is CANCELLED for a while, so that every phone takes it away. A
thing that comes again is its next time. Days are DATE values, which no clock that is set can shift.
"""

import json
import secrets
from collections.abc import Iterable, Mapping
from datetime import date, timedelta, tzinfo
from typing import Any
from zoneinfo import ZoneInfo

from mustwatch.cellar.due import DueThing, day_of, how_done
from mustwatch.cellar.instant import DAY_MS, from_ms
from mustwatch.cellar.measures import Measures
from mustwatch.config.settings import Settings
from mustwatch.store.store import Store
from mustwatch.views.book_words import span_words
from mustwatch.views.due import due_things

FEED = "calendar-feed"
"""Under this the store keeps what the feed's address ends in, and under the others what the feed said last."""
CELLAR = "calendar-cellar"
SAID = "calendar-said"
CANCELLED_MS = 60 * DAY_MS
"""A phone that was off for no longer than this hears that a thing is gone."""
REFRESH = timedelta(hours=1)
"""How often a phone is asked to look."""


def feed_token(store: Store, *, renew: bool = False) -> str:
    """Return what the feed's address ends in, made when first asked for; ``renew`` shuts those out who have the old."""
    token = store.watching.kept(FEED)
    if token is None or renew:
        token = secrets.token_urlsafe(24)
        with store.transaction():
            store.watching.keep(FEED, token)
    return token


def is_feed_token(store: Store, given: str) -> bool:
    """Say whether an address ends in the feed's token; nobody has one before it was asked for."""
    token = store.watching.kept(FEED)
    return token is not None and secrets.compare_digest(given.encode(), token.encode())


def feed_path(token: str) -> str:
    """Return the feed's path on the pages' server."""
    return f"/calendar/{token}.ics"


def calendar_feed(store: Store, settings: Settings, now_ms: int) -> bytes:
    """Return the feed: UTF-8, lines ended by CR LF and folded at 75 octets, as RFC 5545 asks."""
    zone = ZoneInfo(settings.cellar.timezone)
    with store.transaction():
        before: dict[str, dict[str, Any]] = json.loads(store.watching.kept(SAID) or "{}")
        said = _said_now(due_things(store, settings, now_ms), before, now_ms, zone)
        if said != before:
            store.watching.keep(SAID, json.dumps(said, ensure_ascii=False))
        cellar = store.watching.kept(CELLAR)
        if cellar is None:
            cellar = secrets.token_hex(8)
            store.watching.keep(CELLAR, cellar)
    return _written(said, cellar, settings)


def _said_now(
    things: Iterable[DueThing], before: Mapping[str, dict[str, Any]], now_ms: int, zone: tzinfo
) -> dict[str, dict[str, Any]]:
    """Return every event by the thing's identity, compared with what the feed said before."""
    events = {thing.id: _event(thing, zone) for thing in things if thing.due_ms is not None}
    for thing_id, event in before.items():
        if thing_id not in events and now_ms - event["modified_ms"] < CANCELLED_MS:
            events[thing_id] = event | {"status": "CANCELLED"}
    for thing_id, event in events.items():
        was = before.get(thing_id)
        is_new = was is None or any(event[key] != was[key] for key in ("day", "summary", "text", "status"))
        event["sequence"] = 0 if was is None else was["sequence"] + is_new
        event["modified_ms"] = now_ms if was is None or is_new else was["modified_ms"]
    return events


def _event(thing: DueThing, zone: tzinfo) -> dict[str, Any]:
    assert thing.due_ms is not None  # noqa: S101 - only what has a day is asked for
    parts = [f"{thing.why[:1].upper()}{thing.why[1:]}." if thing.why else ""]
    if thing.earliest_ms is not None and thing.latest_ms is not None:
        days = (Measures(zone=zone).day(ms) for ms in (thing.due_ms, thing.earliest_ms, thing.latest_ms))
        parts.insert(0, "Forecast: about {}, between {} and {}.".format(*days))
    parts += [f"First: {', '.join(thing.first)}."] if thing.first else []
    parts += [f"Have ready: {'; '.join(thing.ready)}."] if thing.ready else []
    parts += [f"It comes again every {span_words(thing.every)}."] if thing.every else []
    parts += [f"Done by: {how_done(thing.lot or '', thing.done_by)}"] if thing.done_by else []
    return {
        "day": day_of(thing.due_ms, zone).isoformat(),
        "summary": f"{thing.lot}: {thing.do}" if thing.lot else thing.do,
        "text": "\n".join(part for part in parts if part),
        "kind": thing.kind.value,
        "status": "CONFIRMED",
    }


def _written(said: dict[str, dict[str, Any]], cellar: str, settings: Settings) -> bytes:
    from icalendar import Calendar, Event  # only a daemon that is asked for the feed carries it

    feed = Calendar()
    feed.add("prodid", "-//mustwatch//due//EN")
    feed.add("version", "2.0")
    feed.add("name", settings.cellar.name)
    feed.add("x-wr-calname", settings.cellar.name)
    feed.add("refresh-interval", REFRESH, parameters={"value": "DURATION"})
    for thing_id, event in sorted(said.items(), key=lambda of: (of[1]["day"], of[0])):
        day = date.fromisoformat(event["day"])
        modified = from_ms(event["modified_ms"]).replace(microsecond=0)
        written = Event()
        written.add("uid", f"{thing_id}@{cellar}.mustwatch")
        written.add("dtstamp", modified)
        written.add("last-modified", modified)
        written.add("sequence", event["sequence"])
        written.add("dtstart", day)
        written.add("dtend", day + timedelta(days=1))
        written.add("summary", event["summary"])
        if event["text"]:
            written.add("description", event["text"])
        written.add("categories", [event["kind"]])
        written.add("status", event["status"])
        written.add("transp", "TRANSPARENT")
        feed.add_component(written)
    return bytes(feed.to_ical())
