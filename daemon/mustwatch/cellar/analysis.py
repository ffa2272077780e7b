"""What a wine is measured for besides gravity and temperature: acids, sulfite, nitrogen, sugar.

One table says for each quantity its field of a ``Measurement``, its unit, what is possible and how it is said; rules,
commands, pages and print read it, so that a new quantity is a line here and a field of the book.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

from mustwatch.cellar.book import Entry, Malic, Measurement


class Quantity(StrEnum):
    """What can be measured, by the name that commands (``--free-so2``), profiles and JSON use."""

    PH = "ph"
    ACIDITY = "acidity"
    MALIC = "malic"
    FREE_SO2 = "free-so2"
    TOTAL_SO2 = "total-so2"
    YAN = "yan"
    RESIDUAL_SUGAR = "residual-sugar"

    @property
    def option(self) -> str:
        """Return the name of the option, form field or key that it is typed in."""
        return self.value.replace("-", "_")


@dataclass(frozen=True, slots=True)
class Kind:
    """How a quantity is written, bounded and said.

    Attributes:
        field: of a ``Measurement``.
        words: what people call it; ``unit``: what stands after a number of it, or nothing.
        low, high: what any must or wine could have; beyond is a slip of the hand (common practice).
        example: a usual value, for messages.
        digits: decimals that count.
    """

    field: str
    words: str
    unit: str = ""
    low: float = 0.0
    high: float = 0.0
    example: str = ""
    digits: int = 0


KINDS: dict[Quantity, Kind] = {
    Quantity.PH: Kind("ph", "pH", "", 2.0, 5.0, "a pH such as 3.4", 2),
    Quantity.ACIDITY: Kind(
        "titratable_acidity_g_per_l",
        "titratable acidity",
        "g/L as tartaric acid",
        0.0,
        40.0,
        "g/L as tartaric acid such as 6.5",
        1,
    ),
    Quantity.MALIC: Kind("malic", "malic acid"),
    Quantity.FREE_SO2: Kind("free_so2_mg_per_l", "free SO2", "mg/L", 0.0, 1000.0, "mg/L such as 30"),
    Quantity.TOTAL_SO2: Kind("total_so2_mg_per_l", "total SO2", "mg/L", 0.0, 2000.0, "mg/L such as 90"),
    Quantity.YAN: Kind(
        "yan_mg_per_l", "YAN", "mg/L of nitrogen", 0.0, 1500.0, "mg/L of nitrogen such as 180"
    ),
    Quantity.RESIDUAL_SUGAR: Kind(
        "residual_sugar_g_per_l", "residual sugar", "g/L", 0.0, 400.0, "g/L such as 3", 1
    ),
}
"""YAN: yeast assimilable nitrogen."""


class Measured(NamedTuple):
    """One quantity as it was measured: its value in the unit of its kind, by which method, how far it may be off."""

    at_ms: int
    quantity: Quantity
    value: float | Malic
    method: str | None = None
    error: float | None = None


def quantities_of(what: Measurement) -> Iterator[tuple[Quantity, float | Malic]]:
    """Yield what a measurement says besides gravity and temperature."""
    for quantity, kind in KINDS.items():
        value = getattr(what, kind.field)
        if value is not None:
            yield quantity, value


def measured(entries: Sequence[Entry], until_ms: int | None = None) -> list[Measured]:
    """Return everything that was measured up to an instant (None: ever), oldest first."""
    return [
        Measured(entry.at_ms, quantity, value, entry.what.method, entry.what.error)
        for entry in entries
        if isinstance(entry.what, Measurement) and (until_ms is None or entry.at_ms <= until_ms)
        for quantity, value in quantities_of(entry.what)
    ]


def newest(entries: Sequence[Entry], quantity: Quantity, until_ms: int | None = None) -> Measured | None:
    """Return the newest value of a quantity up to an instant, or None."""
    return next((m for m in reversed(measured(entries, until_ms)) if m.quantity is quantity), None)


def value_words(quantity: Quantity, value: float | Malic, error: float | None = None) -> str:
    """Return a value with its unit: ``3.40``, ``28 ±5 mg/L``, ``traces``."""
    if isinstance(value, Malic):
        return value.value
    kind = KINDS[quantity]
    spread = "" if error is None else f" ±{error:g}"
    number = f"{value:.{kind.digits}f}" if kind.digits else f"{value:g}"
    return f"{number}{spread} {kind.unit}".strip()


def faults(what: Measurement) -> Iterator[str]:
    """Yield what no analysis could say: free SO2 above the total, an error of several quantities at once."""
    free, total = what.free_so2_mg_per_l, what.total_so2_mg_per_l
    if free is not None and total is not None and free > total:
        yield f"free SO2 {free:g} mg/L is more than the total {total:g} mg/L, of which it is part: look at both again"
    if what.error is not None:
        numbers = [q for q, value in quantities_of(what) if not isinstance(value, Malic)]
        if not 0.0 < what.error < float("inf"):
            yield f"error {what.error:g}: expected more than 0, in the unit of what was measured"
        elif len(numbers) != 1:
            yield (
                f"error {what.error:g}: expected with one of {', '.join(q for q in KINDS if q is not Quantity.MALIC)}; "
                "write each analysis with its own error in an entry of its own"
            )
    if what.method is not None and not any(quantities_of(what)):
        yield f"method {what.method!r}: expected with an analysis, such as free SO2"
