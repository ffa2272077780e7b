"""The cellar record of a lot as one self-contained A4 page: no script, no link, legible in black and white."""

from collections.abc import Iterator, Sequence
from html import escape

from mustwatch.cellar.additions import Purpose
from mustwatch.cellar.analysis import KINDS, measured, value_words
from mustwatch.cellar.book import Bottling, Entry, EntryKind, Measurement, Racking, Start
from mustwatch.cellar.instant import DAY_MS
from mustwatch.cellar.measures import PLAIN, Measures
from mustwatch.cellar.profile import Band
from mustwatch.views.book_curve import curve_svg
from mustwatch.views.book_record import BookRecord, Line, Standing, Told, Total, total_words
from mustwatch.views.book_words import (
    gravity_words,
    what_was_done,
)

STYLE = """
@page { size: A4; margin: 14mm 13mm 15mm }
* { box-sizing: border-box }
body { font: 10pt/1.35 Georgia, "Times New Roman", serif; color: #000; background: #fff; margin: 0 auto;
  max-width: 184mm; padding: 0 1mm }
@media screen { body { padding: 8mm 4mm; max-width: 192mm } }
h1 { font-size: 21pt; font-weight: normal; margin: 0; line-height: 1.1; overflow-wrap: anywhere }
.of { margin: 1mm 0 4mm; font-style: italic }
h2 { font-size: 11.5pt; margin: 6mm 0 1.5mm; border-bottom: .8pt solid #000; break-after: avoid }
dl { display: grid; grid-template-columns: repeat(3, 1fr); gap: 0; margin: 0; border: .8pt solid #000 }
dl div { padding: 1.4mm 2.2mm; border: .3pt solid #000 }
dt { font-size: 8pt; letter-spacing: .02em } dd { margin: 0; font-size: 11pt; overflow-wrap: anywhere }
dd small { font-size: 8.5pt }
figure { margin: 0; break-inside: avoid } svg { width: 100%; height: auto; display: block }
figcaption, .small { font-size: 8.5pt; line-height: 1.3 }
table { width: 100%; border-collapse: collapse; font-variant-numeric: tabular-nums }
th { text-align: left; font-size: 8.5pt; font-weight: normal; border-bottom: .8pt solid #000; padding: .6mm 1.2mm }
td { vertical-align: top; border-bottom: .3pt solid #777; padding: .8mm 1.2mm; overflow-wrap: anywhere }
thead { display: table-header-group } tr { break-inside: avoid }
.n { text-align: right; white-space: nowrap } .when { white-space: nowrap; width: 34mm } .mark { width: 6mm }
.kind { white-space: nowrap } .told td { font-style: italic } .gone td { text-decoration: line-through; color: #444 }
.gone .why { text-decoration: none } .why { display: block; font-size: 8.5pt; font-style: italic }
footer { margin-top: 6mm; border-top: .3pt solid #000; padding-top: 1.5mm }
text { font: 9px Georgia, serif; fill: #000 } text.deed { font-weight: bold; font-size: 9.5px }
text.name { font-style: italic }
.frame { fill: none; stroke: #000; stroke-width: .8 } .grid { stroke: #bbb; stroke-width: .4; fill: none }
.line { fill: none; stroke: #000; stroke-width: 1.5; stroke-linejoin: round } .thin { stroke-width: .8 }
.joined { fill: none; stroke: #000; stroke-width: .9; stroke-dasharray: 1 3 }
.check { fill: #fff; stroke: #000; stroke-width: 1.2 }
.racking { stroke: #000; stroke-width: .9; stroke-dasharray: 6 3 } .bottling { stroke: #000; stroke-width: 1.6 }
.band { stroke: #000; stroke-width: .6; stroke-dasharray: 2 2 } .stage { fill: none; stroke: #000; stroke-width: .7 }
.addition { fill: #000 }
"""

KIND_WORDS = {
    EntryKind.START: "start",
    EntryKind.MEASURE: "check",
    EntryKind.RACK: "racking",
    EntryKind.ADD: "addition",
    EntryKind.NOTE: "note",
    EntryKind.TASTE: "tasting",
    EntryKind.BOTTLE: "bottling",
    EntryKind.MOVE: "sensor",
    EntryKind.REANCHOR: "sensor",
    EntryKind.STAGE: "stage",
    EntryKind.MALOLACTIC: "malolactic",
    EntryKind.REMIND: "reminder",
    EntryKind.ATTEND: "seen to",
    EntryKind.STOCK: "bottles",
    EntryKind.TRANSFER: "transfer",
}

PURPOSE_WORDS = {
    Purpose.ENRICH: "to ferment",
    Purpose.SWEETEN: "sweetening",
    Purpose.STABILISE: "stabilising",
    Purpose.SULFITE: "sulfite",
    Purpose.NUTRIENT: "nutrient",
    Purpose.YEAST: "yeast",
    Purpose.BACTERIA: "malolactic",
    Purpose.FINE: "fining",
    Purpose.TOP_UP: "topping up",
    Purpose.ACID: "acid",
}


def book_page(
    record: BookRecord,
    *,
    cellar: str,
    profile_title: str,
    now_ms: int,
    units: Measures = PLAIN,
    bands: Sequence[tuple[int, Band]] = (),
) -> str:
    """Return the page as HTML.

    Args:
        record: the lot's record.
        cellar: the cellar's name; ``profile_title``: what its profile is called.
        now_ms: the present: when the page was made.
        units: how its owner likes numbers, and the clock on its wall.
        bands: temperature band from an instant on, for the curve.
    """
    page = _Page(record, units)
    until_ms = now_ms if record.lot.ended_ms is None else record.lot.ended_ms
    lot = escape(record.lot.lot)
    made_of = escape(record.lot.start.must or profile_title)
    body = (
        f"<h1>{lot}</h1><p class=of>{made_of} · {escape(cellar)}</p>"
        f"{page.label()}"
        f"<h2>Curve</h2><figure>{curve_svg(record, until_ms, units, bands)}{page.caption()}</figure>"
        f"{page.stages()}{page.totals()}{page.measured()}"
        f"<h2>What was done, measured and told</h2>{page.timeline()}"
        f"<footer class=small>{page.notes(now_ms)}</footer>"
    )
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width">'
        f"<title>{lot}: cellar record</title><style>{STYLE}</style></head><body>{body}</body></html>\n"
    )


class _Page:
    """Writes the parts of the page; every text from people is escaped here."""

    def __init__(self, record: BookRecord, units: Measures) -> None:
        self._record = record
        self._units = units

    def _when(self, at_ms: int) -> str:
        return f"{self._units.full_day(at_ms)}, {self._units.clock(at_ms)}"

    # --- label data ----------------------------------------------------------------------------------------

    def label(self) -> str:
        boxes = "".join(
            f"<div><dt>{escape(name)}</dt><dd>{value}</dd></div>" for name, value in self._boxes()
        )
        return f"<dl>{boxes}</dl>"

    def _boxes(self) -> Iterator[tuple[str, str]]:
        record, lot = self._record, self._record.lot
        bottled_ms = lot.bottled_ms
        yield "Begun", self._units.full_day(lot.started_ms)
        yield "Bottled", self._units.full_day(bottled_ms) if bottled_ms is not None else "not yet"
        bottles = [f"{count} × {self._units.volume(size / 1000)}" for size, count in record.bottles.items()]
        yield "Bottles" if bottles else "Volume", escape(", ".join(bottles) or self._units.volume(lot.litres))
        yield "Starting gravity", self._starting()
        yield (
            "Final gravity" if bottled_ms is not None else "Gravity now",
            self._gravity(record.final_gravity),
        )
        yield "Alcohol", self._alcohol()
        yield "Yeast", escape(lot.start.yeast or "–")
        yield "Profile", escape(lot.start.profile)
        yield "Sulfite", self._sulfite()

    def _sulfite(self) -> str:
        said = "added: contains sulfites" if self._record.has_sulfite else "none recorded"
        so2 = self._record.so2
        if so2 is None:
            return said
        low, high = so2["free_mg_per_l"]
        return f"{said} <small>(free {low:.0f} to {high:.0f}, total {so2['total_mg_per_l']:.0f} mg/L or more)</small>"

    def _gravity(self, gravity: float | None) -> str:
        return escape(gravity_words(gravity, self._units) or "–")

    def _starting(self) -> str:
        record = self._record
        start, effective = record.starting_gravity, record.effective_gravity
        words = self._gravity(start)
        if start is not None and effective is not None and abs(effective - start) >= 0.0005:
            words += f" <small>({self._gravity(effective)} with what was added)</small>"
        return words

    def _alcohol(self) -> str:
        found = self._record.alcohol
        if found is None:
            return "–"
        low, high = found.abv_range_percent
        return f"about {found.abv_percent:.1f} % vol <small>({low:.1f} to {high:.1f})</small>"

    # --- curve, stages, totals -----------------------------------------------------------------------------

    def caption(self) -> str:
        curves = self._record.curves
        parts = []
        if curves.gravity:
            parts.append("full line: estimate from the sensors")
        parts.append("circles: hydrometer checks, joined by dots where no sensor spoke")
        rackings = [e for e in self._record.lot.entries if isinstance(e.what, Racking)]
        parts += [f"R{n}: {self._racking(e)}" for n, e in enumerate(rackings, 1)]
        if self._record.totals:
            parts.append("triangles: additions")
        if any(isinstance(e.what, Bottling) for e in self._record.lot.entries):
            parts.append("B: bottling")
        if curves.celsius:
            parts.append("dashes in the lower plot: the temperature band")
        return f"<figcaption>{'; '.join(parts)}.</figcaption>"

    def _racking(self, entry: Entry) -> str:
        to = entry.what.to_vessel if isinstance(entry.what, Racking) else ""
        return f"racked to {escape(to)} on {self._units.full_day(entry.at_ms)}"

    def stages(self) -> str:
        spans = self._record.stages
        rows = []
        for span in spans:
            days = "" if span.until_ms is None else f"{(span.until_ms - span.from_ms) / DAY_MS:.1f}"
            if span.stage == "bottled":
                days = ""
            rows.append(f"<tr><td>{span.stage}<td>{self._when(span.from_ms)}<td class=n>{days}")
        head = "<thead><tr><th>stage<th>from<th class=n>days</thead>"
        return f"<h2>Stages</h2><table>{head}<tbody>{''.join(rows)}</tbody></table>"

    def totals(self) -> str:
        if not self._record.totals:
            return ""
        rows = "".join(self._total(total) for total in self._record.totals)
        head = "<thead><tr><th>added altogether<th>for<th class=n>times<th class=n>amount</thead>"
        return f"<h2>Additions</h2><table>{head}<tbody>{rows}</tbody></table>"

    def _total(self, total: Total) -> str:
        amount = total_words(total, self._units)
        purpose = PURPOSE_WORDS.get(total.purpose, "")
        return (
            f"<tr><td>{escape(total.what)}<td>{purpose}<td class=n>{total.times}<td class=n>{escape(amount)}"
        )

    def measured(self) -> str:
        found = measured(self._record.lot.entries)
        rows = "".join(
            f"<tr><td class=when>{self._when(m.at_ms)}<td>{KINDS[m.quantity].words}"
            f"<td>{escape(m.method or '')}<td class=n>{escape(value_words(m.quantity, m.value, m.error))}"
            for m in found
        )
        head = "<thead><tr><th class=when>when<th>measured<th>by<th class=n>value</thead>"
        return f"<h2>Analyses</h2><table>{head}<tbody>{rows}</tbody></table>" if found else ""

    # --- timeline ------------------------------------------------------------------------------------------

    def timeline(self) -> str:
        rows = "".join(self._row(line) for line in self._record.lines)
        head = "<thead><tr><th class=when>when<th>kind<th>what<th class=n>gravity<th class=n>temp.</thead>"
        return f"<table>{head}<tbody>{rows}</tbody></table>"

    def _row(self, line: Line) -> str:
        if line.told is not None:
            return self._told(line.told)
        entry = line.entry
        assert entry is not None  # noqa: S101 (a line is one or the other)
        what = entry.what
        gravity = celsius = ""
        if isinstance(what, Start | Measurement | Racking):
            gravity = gravity_words(what.gravity, self._units) or ""
            celsius = "" if what.temperature_c is None else self._units.temperature(what.temperature_c)
        words = escape(what_was_done(what, self._units, in_words=False))
        if entry.despite is not None:
            words += f"<span class=why>although a rule refused it: {escape(entry.despite)}</span>"
        if line.standing is Standing.REPLACED:
            words += "<span class=why>(corrected by another entry)</span>"
        elif line.standing is Standing.INHERITED and line.entry is not None:
            words += f"<span class=why>(in the book of {escape(line.entry.lot)})</span>"
        elif line.standing is Standing.UNDONE:
            words += "<span class=why>(undone)</span>"
        style = "" if line.standing in (Standing.HOLDS, Standing.INHERITED) else " class=gone"
        return (
            f"<tr{style}><td class=when>{self._when(entry.at_ms)}<td class=kind>{KIND_WORDS[entry.kind]}<td>{words}"
            f"<td class=n>{escape(gravity)}<td class=n>{escape(celsius)}"
        )

    def _told(self, told: Told) -> str:
        until = "" if told.until_ms is None else f" (until {self._when(told.until_ms)})"
        return (
            f"<tr class=told><td class=when>{self._when(told.at_ms)}<td>told<td>{escape(told.words)}{until}"
            "<td class=n><td class=n>"
        )

    def notes(self, now_ms: int) -> str:
        gravities = "specific gravities" if self._units.gravity_unit == "SG" else "the °Brix of gravities"
        notes = [
            f"Gravities are {gravities} at 20/20 °C; hydrometer readings are corrected to that.",
            "Alcohol is worked out from gravities and given with its range; only a laboratory's distillation is "
            "an official figure.",
        ]
        if self._record.has_sulfite:
            notes.append("What a label must say about sulfites is for your country's law.")
        notes.append(f"Printed {self._when(now_ms)}.")
        return " ".join(escape(note) for note in notes)
