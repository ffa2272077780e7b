"""What a wine was measured for, as JSON for pages, API and book: acids, sulfite, nitrogen, sugar."""

from collections.abc import Sequence
from typing import Any

from mustwatch.cellar.analysis import KINDS, Quantity, measured, value_words
from mustwatch.cellar.book import Entry
from mustwatch.cellar.instant import iso
from mustwatch.cellar.malolactic import course


def measured_json(entries: Sequence[Entry]) -> list[dict[str, Any]]:
    """Return each quantity that was ever measured with its values, oldest first; a value may be a word (malic acid)."""
    found = measured(entries)
    return [
        {
            "quantity": quantity.value,
            "words": KINDS[quantity].words,
            "unit": KINDS[quantity].unit or None,
            "values": [
                {
                    "at": iso(m.at_ms),
                    "value": m.value,
                    "error": m.error,
                    "method": m.method,
                    "words": value_words(quantity, m.value, m.error),
                }
                for m in found
                if m.quantity is quantity
            ],
        }
        for quantity in Quantity
        if any(m.quantity is quantity for m in found)
    ]


def malolactic_json(entries: Sequence[Entry], at_ms: int) -> dict[str, Any] | None:
    """Return where the malolactic ferment stands at an instant, or None where the book says nothing of it."""
    now = course(entries, at_ms)
    if now is None:
        return None
    return {
        "state": now.state.value,
        "since": iso(now.since_ms),
        "malic": None if now.tested is None else now.tested.value,
        "tested_at": None if now.tested is None else iso(now.tested.at_ms),
    }
