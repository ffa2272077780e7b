"""What a wine was measured for, as JSON for pages, API and book: acids, sulfite, nitrogen, sugar."""

from collections.abc import Sequence
from typing import Any

from mustwatch.cellar.analysis import KINDS, Quantity, measured, value_words
from mustwatch.cellar.book import Entry
from mustwatch.cellar.instant import iso


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
