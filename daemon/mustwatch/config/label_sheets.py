"""Sheets of labels: their measures, read from ``config/label-sheets.toml``."""

import tomllib
from dataclasses import dataclass
from functools import cache

from mustwatch.config.shipped import shipped

A4_MM = (210.0, 297.0)


@dataclass(frozen=True, slots=True)
class LabelSheet:
    """An A4 sheet of labels. All lengths in millimetres."""

    name: str
    columns: int
    rows: int
    width: float
    height: float
    left: float
    top: float
    gap_x: float = 0.0
    gap_y: float = 0.0

    @property
    def count(self) -> int:
        """Return how many labels it has."""
        return self.columns * self.rows

    def corner(self, place: int) -> tuple[float, float]:
        """Return the upper left corner of a label, counted along the rows from 0."""
        row, column = divmod(place, self.columns)
        return self.left + column * (self.width + self.gap_x), self.top + row * (self.height + self.gap_y)


@cache
def label_sheets() -> dict[str, LabelSheet]:
    """Return the sheets by name."""
    table = tomllib.loads(shipped("label-sheets.toml").read_text(encoding="utf-8"))
    return {sheet["name"]: LabelSheet(**sheet) for sheet in table["sheet"]}
