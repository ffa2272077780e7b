"""The chart that goes with a message: a PNG that any reader reads, with the curve where it belongs."""

import struct
import zlib
from zoneinfo import ZoneInfo

import pytest

from mustwatch.cellar.instant import DAY_MS, HOUR_MS, MINUTE_MS
from mustwatch.review.chart_canvas import GLYPHS, Canvas, Spot, text_width
from mustwatch.review.chart_png import BAND, HEIGHT, INK, PAPER, WATER, WIDTH, WINE, Chart, chart_png
from mustwatch.review.series import Point

NOW_MS = 1_792_814_400_000
VIENNA = ZoneInfo("Europe/Vienna")
Picture = list[list[tuple[int, int, int]]]


def read_png(content: bytes) -> Picture:
    """Read a PNG of 8-bit RGB without filters, from the specification (ISO/IEC 15948), checking every sum."""
    assert content[:8] == b"\x89PNG\r\n\x1a\n"
    at, data, size = 8, b"", (0, 0)
    kinds = []
    while at < len(content):
        (length,) = struct.unpack_from(">I", content, at)
        kind, body = content[at + 4 : at + 8], content[at + 8 : at + 8 + length]
        assert struct.unpack_from(">I", content, at + 8 + length)[0] == zlib.crc32(kind + body)
        kinds.append(kind)
        if kind == b"IHDR":
            width, height, depth, colour, packing, filtering, interlace = struct.unpack(">IIBBBBB", body)
            assert (depth, colour, packing, filtering, interlace) == (8, 2, 0, 0, 0)
            size = (width, height)
        elif kind == b"IDAT":
            data += body
        at += 12 + length
    assert (kinds[0], kinds[-1]) == (b"IHDR", b"IEND")
    raw, rows = zlib.decompress(data), []
    width, height = size
    assert len(raw) == height * (1 + 3 * width)
    for y in range(height):
        start = y * (1 + 3 * width)
        assert raw[start] == 0
        row = raw[start + 1 : start + 1 + 3 * width]
        rows.append([(row[3 * x], row[3 * x + 1], row[3 * x + 2]) for x in range(width)])
    return rows


def chart(values: list[float], hours: float = 24.0, **more: object) -> Chart:
    step = hours * HOUR_MS / max(1, len(values) - 1)
    points = [Point(NOW_MS + round(i * step), value) for i, value in enumerate(values)]
    kept = {"pattern": "{:.3f}", "is_temperature": False, "at_least": 0.006, "zone": VIENNA, **more}
    return Chart(points, NOW_MS, NOW_MS + round(hours * HOUR_MS), **kept)  # type: ignore[arg-type]


def drawn(chart: Chart) -> Picture:
    content = chart_png(chart)
    assert content is not None
    return read_png(content)


def rows_of(picture: Picture, x: int, colour: tuple[int, int, int]) -> list[int]:
    return [y for y in range(len(picture)) if picture[y][x] == colour]


def test_it_is_a_small_png_of_its_size() -> None:
    content = chart_png(chart([1.05, 1.04, 1.03]))

    assert content is not None
    assert len(content) < 20_000
    picture = read_png(content)
    assert (len(picture[0]), len(picture)) == (WIDTH, HEIGHT)
    assert picture[2][2] == PAPER


def test_a_falling_gravity_falls_from_the_upper_left_to_the_lower_right() -> None:
    picture = drawn(chart([1.05 - 0.0004 * i for i in range(100)]))

    left, middle, right = (rows_of(picture, x, WINE)[0] for x in (40, 250, 480))
    assert left < middle < right


def test_the_noise_of_a_settled_wine_looks_flat() -> None:
    picture = drawn(chart([0.995 + (0.0002 if i % 2 else 0.0) for i in range(100)]))

    rows = [y for x in range(20, 500) for y in rows_of(picture, x, WINE)]
    assert max(rows) - min(rows) < 30


def test_temperature_is_drawn_over_its_band_in_another_ink() -> None:
    picture = drawn(
        chart([20.0] * 50, is_temperature=True, pattern="{:.1f}°C", at_least=4.0, band=(18.0, 22.0))
    )

    assert rows_of(picture, 250, WATER)
    assert len(rows_of(picture, 250, BAND)) > 100


def test_the_moment_it_is_about_is_marked() -> None:
    picture = drawn(chart([1.05, 1.04], moments=(NOW_MS + 12 * HOUR_MS,)))

    marked = [x for x in range(WIDTH) if len(rows_of(picture, x, INK)) > 80]
    assert len(marked) == 1
    assert marked[0] == pytest.approx(16 + (WIDTH - 16 - 116) / 2, abs=1)


def test_an_hour_of_silence_and_more_breaks_the_line() -> None:
    early = [Point(NOW_MS + i * MINUTE_MS, 1.05) for i in range(60)]
    late = [Point(NOW_MS + 20 * HOUR_MS + i * MINUTE_MS, 1.04) for i in range(60)]
    whole = Chart(
        early + late, NOW_MS, NOW_MS + DAY_MS, "{:.3f}", is_temperature=False, at_least=0.006, zone=VIENNA
    )

    picture = drawn(whole)

    assert all(not rows_of(picture, x, WINE) for x in range(60, 400))


def test_without_a_point_there_is_no_picture() -> None:
    assert chart_png(chart([])) is None


@pytest.mark.parametrize("hours", [1, 24, 24 * 5, 24 * 40])
def test_any_length_is_drawn(hours: float) -> None:
    assert drawn(chart([1.05 - 0.0001 * i for i in range(300)], hours=hours))


def test_every_glyph_fits_its_grid() -> None:
    for letter, rows in GLYPHS.items():
        assert len(rows) == 7, letter
        assert all(0 <= row < 32 for row in rows), letter
    assert text_width("12") == 2 * 12 - 2


def test_what_lies_beyond_the_sheet_is_cut_off() -> None:
    canvas = Canvas(10, 10, PAPER)

    canvas.line([Spot(-50, -50), Spot(60, 60)], WINE, 3.0)
    canvas.tint(-5, -5, 50, 2, BAND)
    canvas.dot(Spot(9, 9), 5, INK)

    assert len(read_png(canvas.png())) == 10
