"""The chart of a message: the right days, limits and words, and a PNG that shows them."""

import io
import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from PIL import Image

from mustwatch.alerting.rules import Units
from mustwatch.cellar.instant import DAY_MS, HOUR_MS, MINUTE_MS, to_ms
from mustwatch.views import chart_png as drawing
from mustwatch.views.chart_png import HEIGHT, LEFT, RIGHT, TOP, WIDTH, chart_png
from mustwatch.views.message_chart import (
    Chart,
    Known,
    Limit,
    Strip,
    Window,
    finding_caption,
    limit_text,
    message_chart,
    night_caption,
    window_of,
)
from mustwatch.views.series import Point
from mustwatch.watch.estimate import Estimate
from mustwatch.watch.finding import Curve, kind_named, kinds

BEGIN_MS = to_ms(datetime(2026, 10, 20, 6, tzinfo=UTC))
VIENNA = Units(zone=ZoneInfo("Europe/Vienna"))
GRAVITY, TEMPERATURE = Curve.GRAVITY, Curve.TEMPERATURE
WINE, WATER = (0x7B, 0x1F, 0x3E), (0x17, 0x56, 0x6A)


def estimates(days: float = 3.0, drop: float = 0.03, cold: float = 4.0) -> list[Estimate]:
    count = int(days * 96)
    return [
        Estimate(
            BEGIN_MS + i * 15 * MINUTE_MS,
            1.050 - drop * i / count,
            0.0005,
            -0.01,
            0.001,
            18.0 - cold * math.sin(math.pi * i / count),
        )
        for i in range(count)
    ]


def known(
    quantity: Curve = GRAVITY, said: Sequence[Estimate] | None = None, limits: Sequence[Limit] = ()
) -> Known:
    return Known(
        lot="Hillside red",
        quantity=quantity,
        window=Window(BEGIN_MS, BEGIN_MS + 3 * DAY_MS),
        caption="Thu 22 Oct, 08:00",
        marks=(BEGIN_MS + 2 * DAY_MS,),
        estimates=estimates() if said is None else said,
        strips=() if quantity is GRAVITY else (Strip(BEGIN_MS, BEGIN_MS + 3 * DAY_MS, 15.0, 26.0),),
        limits=limits,
    )


def chart(of: Known, units: Units = VIENNA) -> Chart:
    made = message_chart(of, units)
    assert made is not None
    return made


def pixels(content: bytes) -> Image.Image:
    picture = Image.open(io.BytesIO(content))
    assert picture.format == "PNG"
    return picture.convert("RGB")


def near(colour: tuple[int, int, int], picture: Image.Image, x: int) -> list[int]:
    """Return the rows of a column that have a colour, as nearly as a reduced palette keeps it."""
    column = picture.crop((x, TOP, x + 1, HEIGHT)).tobytes()
    found = [column[3 * i : 3 * i + 3] for i in range(HEIGHT - TOP)]
    return [
        TOP + i for i, of in enumerate(found) if sum(abs(a - b) for a, b in zip(of, colour, strict=True)) < 40
    ]


# --- which days ---------------------------------------------------------------------------------------------


def test_a_new_finding_is_shown_with_the_week_before_it() -> None:
    at_ms = BEGIN_MS + 30 * DAY_MS

    window = window_of(GRAVITY, at_ms, None, at_ms + 15 * MINUTE_MS, BEGIN_MS)

    assert window.until_ms == at_ms + 15 * MINUTE_MS + 1
    assert window.until_ms - window.from_ms == 7 * DAY_MS


def test_a_young_lot_s_picture_begins_with_the_lot() -> None:
    at_ms = BEGIN_MS + 2 * DAY_MS

    assert window_of(GRAVITY, at_ms, None, at_ms, BEGIN_MS).from_ms == BEGIN_MS


def test_a_reminder_days_later_still_shows_how_it_began() -> None:
    at_ms = BEGIN_MS + 30 * DAY_MS

    window = window_of(GRAVITY, at_ms, None, at_ms + 9 * DAY_MS, BEGIN_MS)

    assert window.from_ms < at_ms - 2 * DAY_MS


def test_a_reminder_after_months_shows_the_last_weeks_and_says_since_when() -> None:
    at_ms = BEGIN_MS
    window = window_of(GRAVITY, at_ms, None, at_ms + 90 * DAY_MS, BEGIN_MS)

    assert window.until_ms - window.from_ms == 21 * DAY_MS
    assert finding_caption(at_ms, None, window, VIENNA) == "since Tue 20 Oct, 08:00"


def test_what_was_over_long_before_it_was_told_is_shown_around_its_own_time() -> None:
    ends_ms = BEGIN_MS + 10 * DAY_MS

    window = window_of(TEMPERATURE, ends_ms - 5 * HOUR_MS, ends_ms, ends_ms + 20 * DAY_MS, BEGIN_MS)

    assert window.until_ms <= ends_ms + DAY_MS


def test_no_kind_about_gear_or_daemon_has_a_chart_and_every_kind_about_wine_has() -> None:
    without = {kind for kind in kinds() if kind.drawn is None}

    assert without == {
        kind_named("lot-missing"),
        kind_named("sensor-silent"),
        kind_named("battery-low"),
        kind_named("clock-wrong"),
        kind_named("storage-trouble"),
        kind_named("delivery-trouble"),
        kind_named("broker-trouble"),
        kind_named("unwatched"),
    }


# --- what is on it ------------------------------------------------------------------------------------------


def test_without_two_points_there_is_no_chart() -> None:
    assert message_chart(known(said=estimates()[:1]), VIENNA) is None
    assert message_chart(known(said=[]), VIENNA) is None


def test_gravity_has_its_band_of_two_standard_errors_and_its_last_value_in_words() -> None:
    made = chart(known())

    first = made.spread[0][0]
    assert first.high - first.low == pytest.approx(4 * 0.0005)
    assert made.last == "1.020"
    assert (made.heading, made.lot) == ("Gravity", "Hillside red")


def test_the_cellar_s_units_are_spoken() -> None:
    # 1.050 is 12.388 by the ASBC's table; 1.010 is 2.56 there (from memory); 18 °C is 64.4 °F by definition.
    units = Units(gravity="Bx", temperature="F", zone=UTC)

    assert limit_text(1.050, GRAVITY, units) == "12.4"
    assert limit_text(1.010, GRAVITY, units) == "2.6"
    assert limit_text(18.0, TEMPERATURE, units) == "64.4°"
    assert limit_text(25.0, TEMPERATURE, units) == "77°"
    assert chart(known(), units).heading == "Gravity, °Bx"
    warm = chart(known(TEMPERATURE), units)
    assert warm.heading == "Temperature, °F"
    assert warm.strips[0].low == pytest.approx(59.0)
    assert warm.strips[0].high == pytest.approx(78.8)


def test_days_begin_at_midnight_on_the_cellar_s_wall() -> None:
    made = chart(known())

    midnights = [tick for tick in made.times if tick.label not in ("noon", "")]
    assert [tick.label for tick in midnights] == ["Wed 21", "Thu 22", "Fri 23"]
    assert midnights[0].at == to_ms(datetime(2026, 10, 20, 22, tzinfo=UTC))


def test_a_night_is_ticked_by_hours_and_says_its_extremes() -> None:
    begin_ms = to_ms(datetime(2026, 10, 20, 16, tzinfo=UTC))
    made = chart(replace(known(TEMPERATURE), window=Window(begin_ms, begin_ms + 15 * HOUR_MS)))

    assert [tick.label for tick in made.times] == ["18:00", "21:00", "Wed 21", "3:00", "6:00"]
    caption = night_caption(12.34, begin_ms + 12 * HOUR_MS, 20.0, begin_ms, VIENNA)
    assert caption == "lowest 12.3° at 06:00, highest 20.0° at 18:00"


def test_the_settled_wine_s_noise_is_not_blown_up() -> None:
    made = chart(known(said=estimates(drop=0.0001)))

    assert made.high - made.low >= 0.006


def test_a_limit_that_would_flatten_the_curve_is_left_out_unless_it_is_what_the_message_is_about() -> None:
    far = Limit(0.998, "dry at 0.998")

    assert chart(known(said=estimates(drop=0.01), limits=[far])).levels == []
    (level,) = chart(known(said=estimates(drop=0.01), limits=[far._replace(must_show=True)])).levels
    assert level.label == "dry at 0.998"


def test_a_hole_breaks_the_line_and_its_band() -> None:
    said = estimates()
    made = chart(known(said=[*said[:90], *said[200:]]))

    assert [len(run) for run in made.curve] == [90, len(said) - 200]
    assert [len(run) for run in made.spread] == [90, len(said) - 200]


def test_an_instant_outside_the_picture_is_not_marked() -> None:
    made = chart(replace(known(), marks=(BEGIN_MS - DAY_MS, BEGIN_MS + DAY_MS)))

    assert made.marks == [BEGIN_MS + DAY_MS]


# --- the PNG ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("quantity", list(Curve))
def test_it_is_a_small_png_of_its_size(quantity: Curve) -> None:
    content = chart_png(chart(known(quantity)))

    assert len(content) < 25_000
    assert pixels(content).size == (WIDTH, HEIGHT) == (640, 360)


def test_a_falling_gravity_falls_from_left_to_right() -> None:
    picture = pixels(chart_png(chart(known())))

    rows = [near(WINE, picture, x)[0] for x in (LEFT + 20, WIDTH // 2 + 30, WIDTH - RIGHT - 20)]
    assert rows == sorted(rows)
    assert rows[-1] - rows[0] > 100


def test_another_curve_is_another_picture_and_the_same_one_the_same() -> None:
    assert chart_png(chart(known())) == chart_png(chart(known()))
    assert chart_png(chart(known())) != chart_png(chart(known(said=estimates(drop=0.02))))


def test_the_finding_s_instant_is_a_dark_line_from_top_to_bottom_even_without_colour() -> None:
    grey = pixels(chart_png(chart(known(TEMPERATURE)))).convert("L")
    x = round(LEFT + (WIDTH - LEFT - RIGHT) * 2 / 3)

    def dark(column: int) -> int:
        return sum(grey.crop((column, TOP, column + 1, HEIGHT - 40)).histogram()[:90])

    # Dots of 4 px with gaps of 3.2 px over 242 rows: about 130 dark ones; elsewhere hardly the curve's own.
    assert max(dark(x + dx) for dx in (-1, 0, 1)) > 80
    assert dark(x - 30) < 30


def test_a_name_that_the_font_cannot_write_is_left_out_and_one_too_long_is_cut() -> None:
    plain = chart(known())

    unwritable = chart_png(replace(plain, lot="葡萄"))
    assert unwritable == chart_png(replace(plain, lot=""))
    assert chart_png(replace(plain, lot="two\nlines")) == unwritable
    assert len(chart_png(replace(plain, lot="W" * 500))) < 25_000


@pytest.mark.parametrize("hours", [1, 30, 24 * 5, 24 * 21])
def test_any_length_is_drawn(hours: int) -> None:
    said = [Estimate(BEGIN_MS + i * hours * 36_000, 1.02, 0.001, 0.0, 0.0, -3.0) for i in range(100)]
    for quantity in Curve:
        of = replace(known(quantity, said), window=Window(BEGIN_MS, BEGIN_MS + hours * HOUR_MS))
        assert pixels(chart_png(chart(of))).size == (640, 360)


def test_a_hydrometer_s_check_and_a_lone_point_are_drawn() -> None:
    said = estimates()
    lone = [*said[:50], said[150], *said[250:]]
    of = replace(known(said=lone), checks=[Point(BEGIN_MS + DAY_MS, 1.030)])

    assert chart_png(chart(of)) != chart_png(chart(known(said=lone)))


def test_the_imaging_library_is_not_imported_with_the_drawing() -> None:
    assert not any(hasattr(drawing, name) for name in ("Image", "ImageDraw", "ImageFont"))
