"""A lot's cellar record assembled from the store: for the terminal, for paper, and as JSON that travels."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from mustwatch.alerting.alert import Alert
from mustwatch.alerting.rules import Units
from mustwatch.alerting.wording import as_it_opened
from mustwatch.cellar.book import Entry
from mustwatch.cellar.entry_json import UnreadableEntryError, entry_from_json, entry_to_json
from mustwatch.cellar.instant import iso
from mustwatch.cellar.measures import PLAIN, Measures
from mustwatch.cellar.possible import bad_values
from mustwatch.config.plan import measures_of, plan_of
from mustwatch.config.settings import Settings
from mustwatch.store.store import Store
from mustwatch.views import carried
from mustwatch.views.book_page import book_page
from mustwatch.views.book_record import BookRecord, Standing, Told, book_record, others
from mustwatch.views.book_words import what_was_done
from mustwatch.views.cellar import present_stage
from mustwatch.views.measured import measured_json
from mustwatch.views.series import Point, Track, m4
from mustwatch.views.stages import stages_told
from mustwatch.views.strength import is_watched
from mustwatch.views.sulfite import sulfite_json

FORMAT = "mustwatch cellar record"
VERSION = 1
"""Of the JSON form; a newer one is not read."""
JSON_POINTS = 600
"""Points per curve in the JSON form: it is a record to read, not a copy of the readings."""
MOST_ENTRIES = 20_000
"""A record with more is no record of one lot."""


class UnreadableRecordError(ValueError):
    """A file is not a cellar record; the message says where and what was expected."""


def told_of(alerts: Sequence[Alert], units: Units) -> list[Told]:
    """Return what the daemon told of a lot, without what it took back."""
    return [
        Told(a.opened_ms, a.kind.name, a.raises[0].severity.value, as_it_opened(a, units), a.cleared_ms)
        for a in alerts
        if not a.is_withdrawn
    ]


def record_of(store: Store, settings: Settings, lot: str, now_ms: int) -> BookRecord | None:
    """Return a lot's record, or None if it is not in the book."""
    cellar = store.book.history()
    history = cellar.lots.get(lot)
    if history is None:
        return None
    gravity, celsius, has_sensors = Track(), Track(), is_watched(store, history)
    for estimate in store.watching.each_estimate(lot):
        gravity.note(estimate.at_ms, estimate.gravity if has_sensors else None)
        celsius.note(estimate.at_ms, estimate.temperature_c)
    alerts = store.alerts.of_lot(lot)
    plan = plan_of(settings)
    told, profile = told_of(alerts, plan.rules.units), plan.profile_for(history)
    stages = stages_told(history, profile, alerts)
    stage = present_stage(history, cellar, store.watching.now(), store.alerts.open(), plan, now_ms)
    if history.ended_ms is None and stages[-1][1] is not stage:
        stages.append((max(now_ms, stages[-1][0]), stage))
    record = book_record(history, store.book.entries(lot), told, gravity, celsius, stages)
    warm = celsius[-1].value if len(celsius) else None
    return replace(record, so2=sulfite_json(history, plan, warm, now_ms))


def page_of(store: Store, settings: Settings, record: BookRecord, now_ms: int) -> str:
    """Return a lot's record as the printable page."""
    profile = plan_of(settings).profile_for(record.lot)
    bands = [(span.from_ms, profile.band_in(span.stage)) for span in record.stages if span.stage != "bottled"]
    return book_page(
        record,
        cellar=settings.cellar.name,
        profile_title=profile.title,
        now_ms=now_ms,
        units=measures_of(settings),
        bands=bands,
    )


def record_json(record: BookRecord) -> dict[str, Any]:
    """Return a lot's record as one JSON object. Another machine takes over ``entries``; the rest is for reading."""
    lot, found = record.lot, record.alcohol
    return {
        "format": FORMAT,
        "version": VERSION,
        "lot": lot.lot,
        "profile": lot.start.profile,
        "started_at": iso(lot.started_ms),
        "bottled_at": iso(lot.bottled_ms),
        "vessel": lot.vessel,
        "stage": record.stages[-1].stage.value,
        "litres": lot.litres,
        "bottles": [{"bottles": count, "bottle_ml": size} for size, count in record.bottles.items()],
        "starting_gravity": _rounded(record.starting_gravity),
        "effective_starting_gravity": _rounded(record.effective_gravity),
        "final_gravity": _rounded(record.final_gravity),
        "abv_percent": round(found.abv_percent, 2) if found else None,
        "abv_range_percent": [round(v, 2) for v in found.abv_range_percent] if found else None,
        "additions": [
            {"what": t.what, "purpose": t.purpose.value, "times": t.times, "amount": t.amount, "unit": t.unit}
            for t in record.totals
        ],
        "measured": measured_json(lot.entries),
        "so2": record.so2,
        "stages": [
            {"stage": s.stage.value, "from": iso(s.from_ms), "until": iso(s.until_ms)} for s in record.stages
        ],
        "entries": [
            entry_to_json(line.entry)
            | {"standing": line.standing.value, "words": what_was_done(line.entry.what)}
            for line in record.lines
            if line.entry is not None and line.entry.lot == lot.lot
        ],
        "line": [
            line_json(line.entry, line.standing, PLAIN) for line in others(lot) if line.entry is not None
        ],
        "told": [
            {
                "at": iso(t.at_ms),
                "until": iso(t.until_ms),
                "kind": t.kind,
                "severity": t.severity,
                "words": t.words,
            }
            for t in (line.told for line in record.lines)
            if t is not None
        ],
        "curve": {
            "gravity": _curve(record.curves.gravity, 5),
            "celsius": _curve(record.curves.celsius, 2),
        },
    }


def line_json(entry: Entry, standing: Standing, units: Measures) -> dict[str, Any]:
    """Return what a lot was told by an entry of another lot's book, as one JSON object."""
    return {
        "id": entry.id,
        "lot": entry.lot,
        "at": iso(entry.at_ms),
        "kind": entry.kind.value,
        "words": what_was_done(entry.what, units),
        "standing": standing.value,
    }


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 5)


def _curve(points: Sequence[tuple[int, float]], digits: int) -> list[list[Any]]:
    return [[iso(p.at_ms), round(p.value, digits)] for p in m4([Point(*p) for p in points], JSON_POINTS)]


_FOR_READING = ("standing", "words")


def entries_of(document: object, lot: str | None = None) -> list[Entry]:
    """Return the entries of a record in JSON, under another lot's name if one is given; or those of a whole book.

    Raises:
        UnreadableRecordError: it is not a record, or one of its entries cannot be.
    """
    known = {FORMAT: VERSION, carried.FORMAT: carried.VERSION}
    kind = document.get("format") if isinstance(document, Mapping) else None
    if not isinstance(document, Mapping) or kind not in known:
        expected = " or ".join(f'"{name}"' for name in known)
        raise UnreadableRecordError(f'not a cellar record: expected an object with "format": {expected}')
    if document.get("version") != known[kind]:
        raise UnreadableRecordError(
            f"version {document.get('version')!r} of the record: expected {known[kind]}"
        )
    if kind == carried.FORMAT and lot is not None:
        raise UnreadableRecordError("a whole book has lots of its own: take it over without a name")
    listed = document.get("entries")
    if not isinstance(listed, list) or not 1 <= len(listed) <= MOST_ENTRIES:
        raise UnreadableRecordError(f"entries: expected a list of 1 to {MOST_ENTRIES} entries")
    entries: list[Entry] = []
    for number, body in enumerate(listed, 1):
        try:
            plain = (
                {k: v for k, v in body.items() if k not in _FOR_READING}
                if isinstance(body, Mapping)
                else body
            )
            entry = entry_from_json(plain)
        except UnreadableEntryError as error:
            raise UnreadableRecordError(f"entry {number} of {len(listed)}: {error}") from None
        wrong = next(iter(bad_values(entry)), None)
        if wrong is not None:
            raise UnreadableRecordError(f"entry {number} of {len(listed)}: {wrong.line}")
        entries.append(entry)
    return _each_once(entries) if kind == carried.FORMAT else _of_one_lot(entries, lot)


def _each_once(entries: list[Entry]) -> list[Entry]:
    """Return entries in the order in which they were typed."""
    if len({e.id for e in entries}) != len(entries):
        raise UnreadableRecordError("entries: expected every id once")
    return sorted(entries, key=lambda e: e.recorded_ms)


def _of_one_lot(entries: list[Entry], lot: str | None) -> list[Entry]:
    if len({e.lot for e in entries}) != 1:
        raise UnreadableRecordError("entries: expected all of them to be of one lot")
    as_typed = _each_once(entries)
    return as_typed if lot is None else [replace(e, lot=lot) for e in as_typed]
