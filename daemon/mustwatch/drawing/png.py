"""Draws parts as a small PNG: a part's kind names the pen.

The imaging library is imported only when something is drawn: it belongs to the messenger, never to the daemon.
"""

import io
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple

from mustwatch.cellar.measures import MINUS
from mustwatch.drawing.picture import Area, Dot, Line, Part, Words
from mustwatch.drawing.plane import Place

if TYPE_CHECKING:
    from PIL import ImageDraw, ImageFont

FINE = 2
"""Lines are drawn larger by this factor and then shrunk: that smooths them."""
COLOURS = 40
"""Shades kept in the file; smoothed lines need no more."""
HALO_PX = 3
"""Paper around letters, so that no line runs through them."""


class Pen(NamedTuple):
    """How a kind is drawn: a line's width, or letters' size, in pixels; the length of its dashes; an area's edge."""

    colour: str
    size: float = 1.0
    dash: float | None = None
    edge: str | None = None


class Letters:
    """The imaging library's own font.

    Raises:
        ImportError: the imaging library is not installed.
    """

    def __init__(self) -> None:
        """Import the library."""
        from PIL import Image, ImageDraw

        Image.preinit()
        self._measure = ImageDraw.Draw(Image.new("L", (8, 8)))
        self._fonts: dict[float, ImageFont.FreeTypeFont | ImageFont.ImageFont] = {}

    def font(self, px: float) -> "ImageFont.FreeTypeFont | ImageFont.ImageFont":
        """Return it in a size."""
        from PIL import ImageFont

        if px not in self._fonts:
            self._fonts[px] = ImageFont.load_default(px)
        return self._fonts[px]

    def width(self, text: str, px: float) -> float:
        """Return how wide a text will be."""
        return self._measure.textlength(text, self.font(px))

    def has(self, text: str) -> bool:
        """Say whether there is every letter of a text; what is lacking would be drawn as an empty box."""
        font = self.font(20)
        missing = bytes(font.getmask("\uffff"))
        return text.isprintable() and all(
            letter == " " or bytes(font.getmask(letter)) != missing for letter in text
        )


def png(
    parts: Iterable[Part], pens: Mapping[str, Pen], size: tuple[int, int], paper: str, letters: Letters
) -> bytes:
    """Return a picture as a PNG of a size, its words over everything else."""
    from PIL import Image, ImageDraw

    large = Image.new("RGB", (size[0] * FINE, size[1] * FINE), paper)
    canvas, words = ImageDraw.Draw(large), []
    for part in parts:
        if isinstance(part, Words):
            words.append(part)
        else:
            _draw(canvas, part, pens[part.kind])
    picture = large.resize(size, Image.Resampling.BOX)
    canvas = ImageDraw.Draw(picture)
    for text in words:
        pen = pens[text.kind]
        at, font = (text.x, text.y), letters.font(pen.size)
        anchor = {"start": "ls", "middle": "ms", "end": "rs"}[text.anchor]
        plain = text.text.replace(MINUS, "-")  # every font has the hyphen
        canvas.text(at, plain, pen.colour, font, anchor, stroke_width=HALO_PX, stroke_fill=paper)
        canvas.text(at, plain, pen.colour, font, anchor)
    file = io.BytesIO()
    reduced = picture.quantize(COLOURS, Image.Quantize.FASTOCTREE, dither=Image.Dither.NONE)
    reduced.save(file, "PNG", compress_level=6)
    return file.getvalue()


def _draw(canvas: "ImageDraw.ImageDraw", part: Line | Area | Dot, pen: Pen) -> None:
    if isinstance(part, Dot):
        _disc(canvas, (part.x * FINE, part.y * FINE), part.radius * FINE, pen.colour)
    elif isinstance(part, Area):
        if part.outline:
            outline = [(x * FINE, y * FINE) for x, y in part.outline]
            canvas.polygon(outline, pen.colour, pen.edge, round(pen.size * FINE))
    else:
        for run in part.runs:
            places = [(x * FINE, y * FINE) for x, y in run]
            if pen.dash is None:
                _line(canvas, places, pen)
            else:
                _dashes(canvas, places[0], places[-1], pen, pen.dash * FINE)


def _line(canvas: "ImageDraw.ImageDraw", places: Sequence[Place], pen: Pen) -> None:
    """Draw a line with round joints and ends; a single place becomes a dot."""
    if len(places) > 1:
        canvas.line(places, pen.colour, round(pen.size * FINE), joint="curve")
    for end in (places[0], places[-1]):
        _disc(canvas, end, pen.size * FINE / 2, pen.colour)


def _dashes(canvas: "ImageDraw.ImageDraw", begin: Place, end: Place, pen: Pen, dash: float) -> None:
    """Draw a straight line in dashes, with gaps a little shorter than they."""
    length = max(abs(end[0] - begin[0]), abs(end[1] - begin[1]))
    at = 0.0
    while at < length:
        ends = [
            tuple(b + (e - b) * part / length for b, e in zip(begin, end, strict=True))
            for part in (at, min(at + dash, length))
        ]
        canvas.line([ends[0], ends[1]], pen.colour, round(pen.size * FINE))
        at += 1.8 * dash


def _disc(canvas: "ImageDraw.ImageDraw", at: Place, radius: float, colour: str) -> None:
    canvas.ellipse((at[0] - radius, at[1] - radius, at[0] + radius, at[1] + radius), colour)
