"""What is carried away: the whole book and the stock of bottles, as JSON another cellar takes over, and as CSV.

The JSON is ``{"format": "mustwatch-book", "version": 1, "cellar", "at", "entries": [...], "stock": {...}}``. Each entry
has ``id``, ``lot`` ("#": the whole cellar), ``at`` and ``recorded_at`` (ISO 8601 with offset), ``kind``, the fields of
its kind as ``cellar.book`` has them (defaults are left out), and ``despite``, ``replaces``, ``undone_at`` where they
are. ``stock`` is as ``mustwatch stock --json`` has it, for reading. ``version`` rises when what is there changes its
meaning; keys are only added. CSV: one row per entry, or per bottling.
"""

import csv
import json
from collections.abc import Iterable, Mapping
from typing import IO, Any

from mustwatch.cellar.entry_json import entry_to_json, what_to_json
from mustwatch.cellar.history import in_force
from mustwatch.cellar.instant import iso
from mustwatch.config.plan import measures_of
from mustwatch.config.settings import Settings
from mustwatch.store.store import Store
from mustwatch.views.book_words import what_was_done
from mustwatch.views.stock import stock_view

FORMAT = "mustwatch-book"
VERSION = 1
ENTRY_COLUMNS = (
    "id", "lot", "at", "recorded_at", "kind", "words", "standing", "despite", "replaces", "undone_at", "fields",
)  # fmt: skip


def whole_book(store: Store, settings: Settings, now_ms: int) -> dict[str, Any]:
    """Return the whole book and the stock as one JSON document."""
    return {
        "format": FORMAT,
        "version": VERSION,
        "cellar": settings.cellar.name,
        "at": iso(now_ms),
        "entries": [entry_to_json(entry) for entry in store.book.entries()],
        "stock": stock_view(store, settings, now_ms),
    }


def book_csv(store: Store, settings: Settings, out: IO[str]) -> int:
    """Write one row per entry as typed, ``fields`` being its own as JSON; return how many."""
    entries, units = store.book.entries(), measures_of(settings)
    held = {entry.id for entry in in_force(entries)}
    rows = (
        {
            "id": e.id,
            "lot": e.lot,
            "at": iso(e.at_ms),
            "recorded_at": iso(e.recorded_ms),
            "kind": e.kind.value,
            "words": what_was_done(e.what, units),
            "standing": "holds" if e.id in held else "undone" if e.undone_ms is not None else "replaced",
            "despite": e.despite,
            "replaces": e.replaces,
            "undone_at": iso(e.undone_ms),
            "fields": json.dumps(what_to_json(e.what), ensure_ascii=False, default=str),
        }
        for e in entries
    )
    return _csv(out, ENTRY_COLUMNS, rows)


def stock_csv(store: Store, settings: Settings, now_ms: int, out: IO[str]) -> int:
    """Write one row per bottling; return how many."""
    rows = stock_view(store, settings, now_ms)["bottlings"]
    columns = [name for name in (rows[0] if rows else {"id": None}) if name != "notes"]
    return _csv(out, columns, ({name: row[name] for name in columns} for row in rows))


def _csv(out: IO[str], columns: Iterable[str], rows: Iterable[Mapping[str, Any]]) -> int:
    writer = csv.DictWriter(out, list(columns), lineterminator="\n")
    writer.writeheader()
    count = 0
    for count, row in enumerate(rows, 1):  # noqa: B007 - counted
        writer.writerow({name: _unlike_a_formula(value) for name, value in row.items()})
    return count


def _unlike_a_formula(value: Any) -> Any:
    """Return a text that no spreadsheet takes for a formula: what somebody typed is not to be run."""
    return f"'{value}" if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r") else value
