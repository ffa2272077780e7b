"""The adversary's table: what was tried, and what of it was lost, told twice or told late."""

from collections.abc import Iterable
from dataclasses import dataclass, field


@dataclass
class Row:
    """One attack. None: does not apply to it."""

    attack: str
    test: str
    tried: int = 0
    lost: int | None = None
    told_twice: int | None = None
    told_late: int | None = None
    notes: list[str] = field(default_factory=list)
    has_failed: bool = False


def table(rows: Iterable[Row]) -> str:
    """Return the table in Markdown, and below it what else was noted."""
    lines = ["| attack | tried | lost | told twice | told late |", "|---|---|---|---|---|"]
    notes = []
    for row in rows:
        figures = ["–" if n is None else f"{n:,}" for n in (row.lost, row.told_twice, row.told_late)]
        tried = f"{row.tried:,}, FAILED" if row.has_failed else f"{row.tried:,}"
        lines.append(f"| {row.attack} | {tried} | {' | '.join(figures)} |")
        notes += [f"- {row.attack}: {note}" for note in row.notes]
    return "\n".join([*lines, "", *notes])
