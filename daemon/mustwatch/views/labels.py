"""Labels for bottles and vessels to print: an A4 sheet as one HTML page without anything beside it."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from html import escape
from typing import Literal
from urllib.parse import quote
from zoneinfo import ZoneInfo

from mustwatch.cellar.additions import Purpose, purpose_of
from mustwatch.cellar.book import Addition, Bottling
from mustwatch.cellar.due import day_of
from mustwatch.cellar.history import LotHistory
from mustwatch.cellar.measures import PLAIN
from mustwatch.cellar.so2 import so2_mg
from mustwatch.config.label_sheets import LabelSheet, label_sheets
from mustwatch.config.settings import Settings
from mustwatch.store.store import Store
from mustwatch.views.strength import strength_now

MOST_LABELS = 500
LINE = 1.25
WIDE = 0.6
"""A letter's width by its height, that of a wide one: words fold before the line is full."""
LARGER = {"name": 1.6, "year": 1.25}
"""How much larger these lines are than the others."""
CAUTION = (
    "These are for your own cellar. Wine that is sold, or given to the public, needs more: what a label has to say, "
    "and in which size, differs by country, and so does what it may say. Finings of egg, milk or fish have to be named "
    "where law asks for it. The alcohol is worked out from gravities, not measured."
)


class LabelsError(ValueError):
    """Labels cannot be made as asked; the text names what, its value and what was expected."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is to be printed: labels ``of`` bottles or vessels, on which sheet, how many, after how many used ones.

    ``text`` is a line of one's own; ``address``: of the pages as a phone reaches them, for the QR code, or None.
    """

    of: Literal["bottle", "vessel"] = "bottle"
    sheet: str = "3x7"
    count: int | None = None
    skip: int = 0
    text: str = ""
    address: str | None = None


def labels_page(store: Store, settings: Settings, lot: LotHistory, wanted: Wanted) -> str:
    """Return the sheet as HTML, with a caution that is shown and not printed.

    Raises:
        LabelsError: there is no such sheet, or the numbers cannot be.
    """
    sheet = _sheet(wanted)
    count = sheet.count - wanted.skip if wanted.count is None else wanted.count
    said = _bottle(store, lot, settings) if wanted.of == "bottle" else _vessel(lot, settings)
    lines = [(kind, text) for kind, text in (*said, ("own", wanted.text)) if text]
    body = "".join(f"<p class={kind}>{escape(text)}</p>" for kind, text in lines)
    label = f"<div class=said>{body}</div>{_code(lot.lot, wanted.address)}"
    pages = "".join(_pages(sheet, wanted.skip, count, label))
    return (
        f"<!doctype html><html lang=en><meta charset=utf-8><title>{escape(lot.lot)}</title>"
        f"<style>{_style(sheet, _letters(sheet, lines))}</style>"
        f"<p class=caution><b>Take care.</b> {CAUTION} Print at 100 %, without margins.</p>{pages}</html>"
    )


def _sheet(wanted: Wanted) -> LabelSheet:
    sheets = label_sheets()
    sheet = sheets.get(wanted.sheet)
    if sheet is None:
        raise LabelsError(f"sheet {wanted.sheet!r} is unknown; expected one of {', '.join(sheets)}")
    if not 0 <= wanted.skip < sheet.count:
        raise LabelsError(
            f"skip {wanted.skip}: expected 0 to {sheet.count - 1}, the labels of a sheet that are used"
        )
    if wanted.count is not None and not 1 <= wanted.count <= MOST_LABELS:
        raise LabelsError(f"count {wanted.count}: expected 1 to {MOST_LABELS} labels")
    if wanted.of not in ("bottle", "vessel"):
        raise LabelsError(f"labels of {wanted.of!r}: expected bottle or vessel")
    return sheet


def _bottle(store: Store, lot: LotHistory, settings: Settings) -> Iterator[tuple[str, str | None]]:
    strength = strength_now(store, lot)
    bottlings = [e.what for e in lot.entries if isinstance(e.what, Bottling)]
    yield "name", lot.lot
    yield "year", str(day_of(lot.started_ms, ZoneInfo(settings.cellar.timezone)).year)
    yield "more", lot.start.must
    facts = [f"{bottlings[-1].bottle_ml:g}\u00a0mL"] if bottlings else []
    facts += [f"about {strength.abv_percent:.1f}\u00a0%\u00a0vol"] if strength is not None else []
    yield "more", ", ".join(facts)
    yield "more", "contains sulfites" if has_sulfite(lot) else None
    yield "more", settings.cellar.name


def _vessel(lot: LotHistory, settings: Settings) -> Iterator[tuple[str, str | None]]:
    zone = ZoneInfo(settings.cellar.timezone)
    yield "name", lot.lot
    yield "year", lot.vessel
    litres = "" if lot.litres is None else f", {PLAIN.volume(lot.litres)}"
    yield "more", f"begun {day_of(lot.started_ms, zone).isoformat()}{litres}"
    yield "more", lot.start.must
    yield "more", lot.start.yeast
    yield "more", "contains sulfites" if has_sulfite(lot) else None


def has_sulfite(lot: LotHistory) -> bool:
    """Return whether sulfite was added to a lot, alone or in something else."""
    added = (e.what for e in lot.entries if isinstance(e.what, Addition))
    return any(purpose_of(what) is Purpose.SULFITE or so2_mg(what) for what in added)


def _code(lot: str, address: str | None) -> str:
    """Return the QR code that leads to the lot's page, or nothing where nobody could follow it."""
    if address is None:
        return ""
    import segno  # only who prints labels carries it

    link = f"{address.rstrip('/')}/lot/{quote(lot, safe='')}"
    return segno.make(link, error="m", micro=False).svg_inline(omitsize=True, border=2)


def _pages(sheet: LabelSheet, skip: int, count: int, label: str) -> Iterator[str]:
    places = list(range(skip, skip + count))
    for page in range(places[-1] // sheet.count + 1):
        here = [place % sheet.count for place in places if place // sheet.count == page]
        yield "<div class=sheet>" + "".join(f'<div class="label p{p}">{label}</div>' for p in here) + "</div>"


def _unit(sheet: LabelSheet) -> float:
    return min(sheet.height / 9.0, sheet.width / 15.0)


def _letters(sheet: LabelSheet, lines: Sequence[tuple[str, str]]) -> float:
    """Return the size of the letters, mm, at which the lines surely fit beside the code, folded as they have to be."""
    unit = _unit(sheet)
    wide, high = sheet.width - 8.0 * unit, sheet.height - 1.2 * unit
    sizes = (unit * percent / 100.0 for percent in range(72, 24, -4))
    for size in sizes:
        heights = (
            math.ceil(len(text) * WIDE * of * size / wide) * LINE * of * size
            for kind, text in lines
            for of in (LARGER.get(kind, 1.0),)
        )
        if sum(heights) <= high:
            break
    return size


def _style(sheet: LabelSheet, letters: float) -> str:
    corners = "".join(
        f".p{place}{{left:{x:g}mm;top:{y:g}mm}}"
        for place in range(sheet.count)
        for x, y in (sheet.corner(place),)
    )
    size = _unit(sheet)
    return (
        "@page{size:A4;margin:0}html,body{margin:0;background:#fff;color:#000}"
        'body{font-family:"Iowan Old Style","Palatino Linotype",Palatino,P052,Georgia,serif}'
        ".sheet{position:relative;width:210mm;height:297mm;overflow:hidden;break-after:page}"
        f".label{{position:absolute;box-sizing:border-box;width:{sheet.width:g}mm;height:{sheet.height:g}mm;"
        f"padding:{size / 2:.2f}mm {size:.2f}mm;display:flex;gap:{size / 2:.2f}mm;align-items:center;overflow:hidden;"
        f"font-size:{letters:.2f}mm;line-height:{LINE}}}"
        ".said{flex:1;min-width:0;overflow-wrap:anywhere}.label p{margin:0}.name{font-size:1.6em}"
        f".year{{font-size:1.25em}}.own{{font-style:italic}}.label svg{{flex:none;height:{size * 5:.2f}mm;width:auto}}"
        f"{corners}.caution{{max-width:60em;margin:1em auto;padding:0 1em}}"
        "@media screen{.sheet{outline:1px solid #999;margin:0 auto 1em}.label{outline:1px dotted #bbb}}"
        "@media print{.caution{display:none}}"
    )
