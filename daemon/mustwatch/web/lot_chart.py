"""A lot's curve as its page shows it: one SVG that fits any width, drawn here, so that the page needs no library.

Times are places from 0 to 10,000 along a picture that the browser stretches to its own width; heights are pixels. What
must keep its shape (letters, marks) stands outside the stretched part, at percentages of the width.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from markupsafe import Markup

from mustwatch.cellar.measures import signed
from mustwatch.drawing import svg
from mustwatch.drawing.picture import Area, Line, Part, between
from mustwatch.drawing.plane import Place, Plane, around
from mustwatch.drawing.ticks import round_values, time_ticks
from mustwatch.web.words import SHAPES, Words

ALONG = 10_000
"""The picture's width in its own places."""

GRAVITY_TOP, GRAVITY_HEIGHT = 24.0, 216.0
BOOK_Y, TOLD_Y = 256.0, 280.0
WARMTH_TOP, WARMTH_HEIGHT = 298.0, 100.0
FOOT, HEIGHT = 398.0, 436
LEAST_GRAVITY = {"SG": 0.006, "Bx": 1.5}
"""Gravity is never drawn taller than this: the noise of a settled wine must look flat."""
LEAST_WARMTH = {"C": 4.0, "F": 7.2}
BAND_SDS = 2.0
"""The band around the estimate is this many standard errors to either side: about 95 %."""
ENTRY_SHAPES = {
    "start": "M-4-5 5 0-4 5z",
    "rack": "M-5-4H5L0 5z",
    "add": "M-5 0H5M0-5V5",
    "measure": "M0-5 5 0 0 5-5 0z",
    "bottle": "M-4-4H4V4H-4z",
    "stage": "M-5 0H5",
}
OTHER_ENTRY = "M-4 0a4 4 0 1 0 8 0a4 4 0 1 0-8 0z"
LINED = {"rack": "deed", "bottle": "deed", "add": "deed added"}
"""Of these entries a line is drawn through the whole picture."""
DATES_TOP, DATES_APART = 54.0, 36.0
SAME_GRAVITY = 1e-4


def _drawn(parts: Iterable[Part]) -> Markup:
    return Markup("".join(svg.drawn(part, x_digits=0) for part in parts))  # noqa: S704 - numbers and our own words


def grid(plane: Plane, most: int) -> Markup:
    """Return lines across at round values, at most ``most``, and one at the foot."""
    hairs = [plane.level(value) for value in round_values(plane.low, plane.high, most)[0]]
    return _drawn([Line("hair", hairs), Line("rule", [plane.level(plane.low)])])


class LotChart:
    """Draws one window of one lot's curves."""

    def __init__(self, curves: Mapping[str, Any], window: tuple[int, int], words: Words) -> None:
        """Set up.

        Args:
            curves: the document of the page's hand, gravity 20/20 and °C.
            window: what is shown, milliseconds since the epoch.
            words: the cellar's units and clock.
        """
        self._curves, self._words = curves, words
        self._from_ms, self._until_ms = window
        self._gravity = self._plane(
            [v for at, v in self._all_gravity()] or [self._sg(1.0)],
            LEAST_GRAVITY[words.gravity_unit],
            GRAVITY_TOP,
            GRAVITY_HEIGHT,
        )
        self._probes = self._warm_curves()
        warm = [v for _, curve in [*self._probes, *self._rooms()] for v in curve["values"]]
        self._warmth = self._plane(
            [self._degrees(v) for v in warm if v is not None] or [self._degrees(20.0)],
            LEAST_WARMTH[words.temperature_unit],
            WARMTH_TOP,
            WARMTH_HEIGHT,
        )

    def _plane(self, values: Sequence[float], least: float, top: float, height: float) -> Plane:
        return Plane(self._from_ms, self._until_ms, *around(values, least), 0, top, ALONG, height)

    def _percent(self, at_ms: float) -> str:
        return f"{self._gravity.x(at_ms) / 100:.2f}%"

    def _degrees(self, celsius: float) -> float:
        return self._words.temperature_number(celsius)

    def _sg(self, gravity: float) -> float:
        return self._words.gravity_number(gravity)

    def _all_gravity(self) -> Iterator[tuple[int, float]]:
        """Yield all that the upper part must hold: the estimate in its band, checks, and the forecast."""
        estimate, forecast = self._curves["estimate"], self._curves["forecast"]
        for at_ms, gravity, sd in zip(
            estimate["at"], estimate["gravity"], estimate["gravity_sd"], strict=True
        ):
            for side in (-BAND_SDS, BAND_SDS):
                yield at_ms, self._sg(gravity + side * (sd or 0.0))
        for at_ms, gravity in self._points(self._curves["checks"]):
            yield at_ms, self._sg(gravity)
        for at_ms, gravity in zip(forecast["expected"], forecast["gravity"], strict=True) if forecast else ():
            if self._from_ms <= at_ms <= self._until_ms:
                yield at_ms, self._sg(gravity)

    def _warm_curves(self) -> list[tuple[str, Mapping[str, Any]]]:
        """Return the wine's temperatures: the probes', else the floats', else what is concluded."""
        heard = [s for s in self._curves["sensors"] if s["celsius"]["at"]]
        chosen = [s for s in heard if s["kind"] == "probe"] or heard
        if chosen:
            return [(s["sensor"], s["celsius"]) for s in chosen]
        return [("", self._curves["celsius"])] if self._curves["celsius"]["at"] else []

    def _rooms(self) -> list[tuple[str, Mapping[str, Any]]]:
        return [(room["sensor"], room["celsius"]) for room in self._curves["room"]]

    @staticmethod
    def _points(curve: Mapping[str, Any]) -> Iterator[tuple[int, float]]:
        return ((at, v) for at, v in zip(curve["at"], curve["values"], strict=True) if at is not None)

    # --- the whole -----------------------------------------------------------------------------------------

    def svg(self) -> Markup:
        """Return the drawing; what a reading needs of it stands in its attributes."""
        upper = Markup(
            '<svg class="part" y="{top}" width="10000" height="{height}" viewBox="0 {top} 10000 {height}" '
            'preserveAspectRatio="none">{curves}</svg>'
        ).format(top=GRAVITY_TOP, height=GRAVITY_HEIGHT, curves=_drawn(self._gravity_curves()))
        behind = _drawn([*self._nights(), *self._bands()]) + grid(self._gravity, 6) + grid(self._warmth, 4)
        behind += _drawn([*self._beside(), *self._leaders()])
        stretched = [behind, upper, *self._warmth_curves()]
        upright = [*self._axes(), *self._stage_names(), *self._dates(), *self._named_lines()]
        upright += [*self._checks(), *self._lanes()]
        scales = {
            name: f"{plane.low},{plane.high},{plane.top},{plane.height}"
            for name, plane in (("gravity", self._gravity), ("celsius", self._warmth))
        }
        return Markup(
            '<svg class="curve" height="{height}" data-from="{begin}" data-until="{end}" data-zone="{zone}" '
            'data-gravity="{gravity}" data-celsius="{celsius}" data-digits="{digits}" data-gravity-unit="{unit}" '
            'data-degree="{degree}"><svg class="stretched" width="100%" height="{height}" '
            'viewBox="0 0 10000 {height}" preserveAspectRatio="none">{stretched}</svg>{upright}</svg>'
        ).format(
            height=HEIGHT,
            begin=self._from_ms,
            end=self._until_ms,
            zone=str(self._words.zone),
            **scales,
            digits=3 if self._words.gravity_unit == "SG" else 1,
            unit="" if self._words.gravity_unit == "SG" else " °Bx",
            degree=f" {self._words.degree}",
            stretched=Markup("").join(stretched),
            upright=Markup("").join(upright),
        )

    # --- the stretched part --------------------------------------------------------------------------------

    def _nights(self) -> Iterator[Part]:
        whole = self._gravity._replace(height=FOOT - GRAVITY_TOP)
        for night in self._curves["nights"]:
            yield Area("dark", whole.box(night["from_ms"], night["until_ms"], whole.low, whole.high))

    def _bands(self) -> Iterator[Part]:
        for band in self._curves["bands"] if self._probes else ():
            low, high = self._degrees(band["low"]), self._degrees(band["high"])
            yield Area("band", self._warmth.box(band["from_ms"], band["until_ms"], low, high))

    def _upright_line(self, kind: str, at_ms: int) -> Iterator[Part]:
        if self._gravity.shows(at_ms):
            yield Line(kind, [[(self._gravity.x(at_ms), GRAVITY_TOP), (self._gravity.x(at_ms), FOOT)]])

    def _beside(self) -> Iterator[Part]:
        """Yield what stands behind the curves: stages, what was done, the gravity to rack at, the present."""
        for stage in self._curves["stages"][1:]:
            yield from self._upright_line("stage", stage["from_ms"])
        for entry in self._curves["entries"]:
            if entry["kind"] in LINED:
                yield from self._upright_line(LINED[entry["kind"]], entry["at_ms"])
        racking = self._sg(self._curves["racking_gravity"])
        if self._gravity.low < racking < self._gravity.high:
            yield Line("level", [self._gravity.level(racking)])
        yield from self._upright_line("now", self._curves["now_ms"])

    def _gravity_curves(self) -> Iterator[Part]:
        plane, estimate, forecast = self._gravity, self._curves["estimate"], self._curves["forecast"]
        for sensor in self._curves["sensors"]:
            said = self._points(sensor["gravity"])
            yield Line("said", [[plane.place(at, self._sg(v))] for at, v in said])
        upper, middle, lower = (self._estimated(side) for side in (BAND_SDS, 0.0, -BAND_SDS))
        yield between("spread", upper, lower)
        if forecast is not None:
            levels = [self._sg(g) for g in forecast["gravity"]]
            early, late, expected = (
                plane.run(zip(forecast[name], levels, strict=True))
                for name in ("earliest", "latest", "expected")
            )
            yield between("fan", early, late)
            yield Line("forecast", [expected])
        if estimate["at"]:
            yield Line("gravity", [middle])

    def _estimated(self, sds: float) -> list[Place]:
        estimate = self._curves["estimate"]
        rows = zip(estimate["at"], estimate["gravity"], estimate["gravity_sd"], strict=True)
        return self._gravity.run((at, self._sg(g + sds * (sd or 0.0))) for at, g, sd in rows)

    def _warmth_curves(self) -> Iterator[Markup]:
        several = " thin" if len(self._probes) > 1 else ""
        for kind, curves in (("room", self._rooms()), (f"celsius{several}", self._probes)):
            for name, curve in curves:
                values = [None if v is None else self._degrees(v) for v in curve["values"]]
                line = svg.path(self._warmth.runs(curve["at"], values), x_digits=0)
                yield Markup('<path class="{}" data-name="{}" d="{}"/>').format(kind, name, line)

    # --- letters and marks ---------------------------------------------------------------------------------

    def _text(self, kind: str, at_ms: float, y: float, text: str, dx: float = 0.0) -> Markup:
        return Markup('<text class="{}" x="{}" y="{:.0f}" dx="{:.0f}">{}</text>').format(
            kind, self._percent(at_ms), y, dx, text
        )

    @staticmethod
    def _beside_axis(y: float, text: str) -> Markup:
        return Markup('<text class="value" x="0" y="{:.0f}" dx="-9">{}</text>').format(y + 4, text)

    def _axes(self) -> Iterator[Markup]:
        is_sg = self._words.gravity_unit == "SG"
        for plane, most, unit, least_digits in (
            (self._gravity, 6, "" if is_sg else " °Bx", 3 if is_sg else 0),
            (self._warmth, 4, f" {self._words.degree}", 0),
        ):
            values, digits = round_values(plane.low, plane.high, most)
            for value in values:
                text = signed(value, max(digits, least_digits)) + (unit if value == values[-1] else "")
                yield self._beside_axis(plane.y(value), text)
        yield self._beside_axis(BOOK_Y, "book")
        yield self._beside_axis(TOLD_Y, "alerts")
        for tick in time_ticks(self._from_ms, self._until_ms, self._words):
            kind = f"time{' wide' if tick.is_fine else ''}"
            yield self._text(kind, tick.at_ms, FOOT + 17, tick.text)
            if tick.below:
                yield self._text(kind, tick.at_ms, FOOT + 33, tick.below)

    def _stage_names(self) -> Iterator[Markup]:
        for stage in self._curves["stages"]:
            begin = max(stage["from_ms"], self._from_ms)
            share = (min(stage["until_ms"], self._until_ms) - begin) / (self._until_ms - self._from_ms)
            if share > 0.1:
                yield self._text(f"name{'' if share > 0.28 else ' wide'}", begin, 16, stage["stage"], 3)

    def _foreseen(self) -> Iterator[tuple[str, int]]:
        """Yield what the forecast gives a date for in this window, with its place in the fan."""
        forecast, racking = self._curves["forecast"], self._curves["racking_gravity"]
        levels = forecast["gravity"] if forecast is not None else []
        for i, gravity in enumerate(levels):
            is_racking = abs(gravity - racking) < SAME_GRAVITY
            is_dated = i > 0 and (is_racking or i == len(levels) - 1)
            if is_dated and self._gravity.shows(forecast["expected"][i]):
                yield "rack" if is_racking else "finished", i

    def _leaders(self) -> Iterator[Part]:
        """Yield a line from each date down to the forecast."""
        forecast = self._curves["forecast"]
        for row, (_, i) in enumerate(self._foreseen()):
            y = self._gravity.y(self._sg(forecast["gravity"][i]))
            x = self._gravity.x(forecast["expected"][i])
            yield Line("level", [[(x, DATES_TOP + row * DATES_APART - 12), (x, y)]])

    def _dates(self) -> Iterator[Markup]:
        """Yield the dates at the forecast's fan: above it, where a falling curve leaves room."""
        forecast, day = self._curves["forecast"], self._words.day
        for row, (what, i) in enumerate(self._foreseen()):
            at_ms, y = forecast["expected"][i], DATES_TOP + row * DATES_APART
            early, late = (day(forecast[name][i]).partition(" ")[2] for name in ("earliest", "latest"))
            share = (at_ms - self._from_ms) / (self._until_ms - self._from_ms)
            kind, dx = (
                ("note", 4) if share < 0.6 else ("note middle", 0) if share < 0.82 else ("note end", -4)
            )
            place_ms = at_ms if share < 0.82 else self._until_ms
            lines = [f"{what} {day(at_ms)}", *([f"{early} to {late}"] if early != late else [])]
            yield from (self._text(kind, place_ms, y + 14 * n, line, dx) for n, line in enumerate(lines))

    def _named_lines(self) -> Iterator[Markup]:
        """Yield the names of the present and of the gravity to rack at, where the curve is not."""
        now_ms, estimate = self._curves["now_ms"], self._curves["estimate"]
        if self._gravity.shows(now_ms):
            is_left = now_ms - self._from_ms < 0.9 * (self._until_ms - self._from_ms)
            kind, dx = ("note", 4) if is_left else ("note end", -4)
            yield self._text(kind, now_ms, GRAVITY_TOP + 12, "now", dx)
        racking = self._curves["racking_gravity"]
        level = self._gravity.y(self._sg(racking))
        if GRAVITY_TOP + 12 < level < GRAVITY_TOP + GRAVITY_HEIGHT:
            is_ahead = bool(estimate["gravity"]) and estimate["gravity"][-1] > racking
            kind, at_ms, dx = ("note", self._from_ms, 4) if is_ahead else ("note end", self._until_ms, -4)
            yield self._text(kind, at_ms, level - 5, f"rack at {self._words.gravity(racking)}", dx)

    def _checks(self) -> Iterator[Markup]:
        for at_ms, gravity in self._points(self._curves["checks"]):
            if self._gravity.shows(at_ms):
                yield self._mark(
                    "check", at_ms, self._gravity.y(self._sg(gravity)), ENTRY_SHAPES["measure"], ""
                )

    def _mark(self, kind: str, at_ms: int, y: float, shape: str, said: str) -> Markup:
        """Return a mark; what it stands for is read where it stands in a lane."""
        words = Markup(' data-words="{}"').format(said) if said else ""
        return Markup('<svg class="{}" x="{}" y="{}"{}><path d="{}"/></svg>').format(
            kind, self._percent(at_ms), y, words, shape
        )

    def _lanes(self) -> Iterator[Markup]:
        """Yield what was written and what was told, each in its lane."""
        for entry in self._curves["entries"]:
            shape = ENTRY_SHAPES.get(entry["kind"], OTHER_ENTRY)
            if self._gravity.shows(entry["at_ms"]):
                yield self._mark(f"entry {entry['kind']}", entry["at_ms"], BOOK_Y, shape, entry["words"])
        for told in self._curves["alerts"]:
            ended = told["until_ms"] or self._curves["now_ms"]
            begin = max(told["at_ms"], self._from_ms)
            end = min(ended, self._until_ms)
            if end >= begin:
                kind = f"told {told['severity']}"
                yield Markup('<line class="{}" x1="{}" x2="{}" y1="{y}" y2="{y}"/>').format(
                    kind, self._percent(begin), self._percent(end), y=TOLD_Y
                )
                yield self._mark(kind, begin, TOLD_Y, SHAPES[told["severity"]], told["words"])
