"""A canvas for small charts as PNG, in pure Python: anti-aliased lines, tints, and a pixel font for numbers.

Messages go to phones, which show PNG and little else; a drawing library would double the daemon's memory for one
picture a week. Source: PNG specification (ISO/IEC 15948), colour type 2, filter 0.
"""

import struct
import zlib
from collections.abc import Sequence
from itertools import pairwise
from math import hypot
from typing import NamedTuple

Colour = tuple[int, int, int]

GLYPH_WIDTH, GLYPH_HEIGHT = 5, 7
# Each glyph is seven rows of five pixels, a row a number whose bits are the pixels, the leftmost the highest.
GLYPHS: dict[str, tuple[int, ...]] = {
    "0": (14, 17, 19, 21, 25, 17, 14),
    "1": (4, 12, 4, 4, 4, 4, 14),
    "2": (14, 17, 1, 6, 8, 16, 31),
    "3": (14, 17, 1, 6, 1, 17, 14),
    "4": (2, 6, 10, 18, 31, 2, 2),
    "5": (31, 16, 30, 1, 1, 17, 14),
    "6": (6, 8, 16, 30, 17, 17, 14),
    "7": (31, 1, 2, 4, 8, 8, 8),
    "8": (14, 17, 17, 14, 17, 17, 14),
    "9": (14, 17, 17, 15, 1, 2, 12),
    ".": (0, 0, 0, 0, 0, 12, 12),
    ":": (0, 12, 12, 0, 12, 12, 0),
    "-": (0, 0, 0, 31, 0, 0, 0),
    "°": (6, 9, 9, 6, 0, 0, 0),
    "C": (14, 17, 16, 16, 16, 17, 14),
    "F": (31, 16, 16, 30, 16, 16, 16),
    "B": (30, 17, 17, 30, 17, 17, 30),
    "M": (17, 27, 21, 21, 17, 17, 17),
    "T": (31, 4, 4, 4, 4, 4, 4),
    "W": (17, 17, 17, 21, 21, 27, 17),
    "S": (15, 16, 16, 14, 1, 1, 30),
    "a": (0, 0, 14, 1, 15, 17, 15),
    "e": (0, 0, 14, 17, 31, 16, 14),
    "h": (16, 16, 30, 17, 17, 17, 17),
    "o": (0, 0, 14, 17, 17, 17, 14),
    "r": (0, 0, 22, 25, 16, 16, 16),
    "u": (0, 0, 17, 17, 17, 19, 13),
    "x": (0, 0, 17, 10, 4, 10, 17),
    " ": (0, 0, 0, 0, 0, 0, 0),
}


class Spot(NamedTuple):
    """A place on the canvas, in pixels from the upper left."""

    x: float
    y: float


class Canvas:
    """An RGB picture that is drawn on."""

    def __init__(self, width: int, height: int, paper: Colour) -> None:
        """Begin with an empty sheet."""
        self.width, self.height = width, height
        self._pixels = bytearray(bytes(paper) * (width * height))

    def _blend(self, x: int, y: int, colour: Colour, share: float) -> None:
        """Cover a share (0 to 1) of a pixel; beyond the edge nothing happens."""
        if not (0 <= x < self.width and 0 <= y < self.height) or share <= 0.0:
            return
        share = min(1.0, share)
        at = 3 * (y * self.width + x)
        for i in range(3):
            old = self._pixels[at + i]
            self._pixels[at + i] = round(old + (colour[i] - old) * share)

    def tint(self, left: float, top: float, right: float, bottom: float, colour: Colour) -> None:
        """Fill a rectangle."""
        x0, x1 = max(0, round(left)), min(self.width, round(right))
        row = bytes(colour) * max(0, x1 - x0)
        for y in range(max(0, round(top)), min(self.height, round(bottom))):
            at = 3 * (y * self.width + x0)
            self._pixels[at : at + len(row)] = row

    def line(self, spots: Sequence[Spot], colour: Colour, width: float) -> None:
        """Draw a line through spots; where two stretches meet, each pixel is covered once, by the nearer."""
        cover: dict[tuple[int, int], float] = {}
        half = width / 2.0
        for begin, end in pairwise(spots):
            for x in range(int(min(begin.x, end.x) - half), int(max(begin.x, end.x) + half) + 2):
                for y in range(int(min(begin.y, end.y) - half), int(max(begin.y, end.y) + half) + 2):
                    share = half + 0.5 - _distance(x + 0.5, y + 0.5, begin, end)
                    if share > cover.get((x, y), 0.0):
                        cover[x, y] = share
        for (x, y), share in cover.items():
            self._blend(x, y, colour, share)

    def dot(self, spot: Spot, radius: float, colour: Colour) -> None:
        """Draw a disc."""
        for x in range(int(spot.x - radius) - 1, int(spot.x + radius) + 2):
            for y in range(int(spot.y - radius) - 1, int(spot.y + radius) + 2):
                self._blend(x, y, colour, radius + 0.5 - hypot(x + 0.5 - spot.x, y + 0.5 - spot.y))

    def dashes(self, x: float, top: float, bottom: float, colour: Colour) -> None:
        """Draw a dashed upright line."""
        for y in range(round(top), round(bottom)):
            if y // 4 % 2 == 0:
                self._blend(round(x), y, colour, 1.0)

    def write(self, text: str, x: float, y: float, colour: Colour, size: int = 2) -> None:
        """Write text with its upper left corner at a place; what the font lacks is left blank."""
        left = round(x)
        for letter in text:
            for row, bits in enumerate(GLYPHS.get(letter, GLYPHS[" "])):
                for column in range(GLYPH_WIDTH):
                    if bits >> (GLYPH_WIDTH - 1 - column) & 1:
                        px, py = left + column * size, round(y) + row * size
                        self.tint(px, py, px + size, py + size, colour)
            left += (GLYPH_WIDTH + 1) * size

    def png(self) -> bytes:
        """Return the picture as a PNG file."""
        row = 3 * self.width
        raw = b"".join(b"\x00" + self._pixels[y * row : (y + 1) * row] for y in range(self.height))
        head = struct.pack(">IIBBBBB", self.width, self.height, 8, 2, 0, 0, 0)
        return b"\x89PNG\r\n\x1a\n" + b"".join(
            _chunk(kind, data)
            for kind, data in ((b"IHDR", head), (b"IDAT", zlib.compress(raw, 9)), (b"IEND", b""))
        )


def text_width(text: str, size: int = 2) -> int:
    """Return how wide a text is, in pixels."""
    return max(0, len(text) * (GLYPH_WIDTH + 1) * size - size)


def _distance(x: float, y: float, begin: Spot, end: Spot) -> float:
    """Return how far a place is from a stretch of line."""
    dx, dy = end.x - begin.x, end.y - begin.y
    length = dx * dx + dy * dy
    along = 0.0 if length == 0.0 else max(0.0, min(1.0, ((x - begin.x) * dx + (y - begin.y) * dy) / length))
    return hypot(x - begin.x - along * dx, y - begin.y - along * dy)


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
