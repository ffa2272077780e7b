"""The record's figures and drawing: what was added altogether, alcohol with sugar that came later, marks on paper."""

import re

import pytest

from mustwatch.cellar.additions import Purpose, purpose_of
from mustwatch.cellar.book import Addition, Bottling, Entry, Measurement, Note, Racking, Reanchor, Start, What
from mustwatch.cellar.history import LotHistory, fold
from mustwatch.cellar.instant import DAY_MS
from mustwatch.cellar.measures import PLAIN, Measures
from mustwatch.cellar.profile import Band
from mustwatch.views.book_curve import curve_svg
from mustwatch.views.book_page import book_page
from mustwatch.views.book_record import (
    BookRecord,
    Standing,
    Told,
    book_record,
    effective_start,
    final_gravity,
    total_words,
    totals,
)
from mustwatch.views.book_words import what_was_done

BEGAN = 1_790_000_000_000


def entries(*done: tuple[float, What], start: Start | None = None) -> list[Entry]:
    all_done = [(0.0, start or Start("bucket", gravity=1.080, litres=20.0)), *done]
    return [
        Entry(f"{i:02d}", "lot", BEGAN + int(d * DAY_MS), BEGAN + i, w) for i, (d, w) in enumerate(all_done)
    ]


def lot(*done: tuple[float, What], start: Start | None = None) -> LotHistory:
    return fold(entries(*done, start=start)).lots["lot"]


@pytest.mark.parametrize(
    ("words", "purpose"),
    [
        ("potassium sorbate", Purpose.STABILISE),
        ("potassium metabisulfite", Purpose.SULFITE),
        ("potassium metabisulphite", Purpose.SULFITE),
        ("yeast nutrient", Purpose.NUTRIENT),
        ("yeast", Purpose.YEAST),
        ("bentonite", Purpose.FINE),
        ("tartaric acid", Purpose.ACID),
        ("cane sugar", Purpose.ENRICH),
        ("honey", Purpose.ENRICH),
        ("oak chips", Purpose.OTHER),
    ],
)
def test_an_additions_purpose_is_told_from_its_words(words: str, purpose: Purpose) -> None:
    assert purpose_of(Addition(words)) is purpose


def test_what_the_winemaker_says_of_the_purpose_comes_first() -> None:
    assert purpose_of(Addition("sugar", why="to sweeten")) is Purpose.SWEETEN
    assert purpose_of(Addition("sugar", why="to sweeten", purpose="enrich")) is Purpose.ENRICH


def test_additions_are_added_up_across_units() -> None:
    found = {
        t.what: total_words(t, PLAIN)
        for t in totals(
            lot(
                (1, Addition("sugar", 500, "g")),
                (2, Addition("Sugar", 1, "kg")),
                (3, Addition("nutrient", 2, "tsp")),
                (4, Addition("nutrient", None, "tsp")),
                (5, Addition("finings", 50, "mL")),
            )
        )
    }

    assert found == {"sugar": "1.5 kg", "nutrient": "not all weighed", "finings": "50 mL"}


def test_sugar_added_later_counts_as_if_it_had_been_there_from_the_start() -> None:
    """By hand: 20 L of 1.080 weigh 21.561 kg; with 1 kg in 20 + 0.62 L that is 22.561 / 20.62 / 0.9982 = 1.0961."""
    fed = lot((2, Addition("sugar", 1000, "g", sugar_g=1000.0)))

    assert effective_start(fed) == pytest.approx(1.0961, abs=0.0002)
    assert fed.litres == pytest.approx(20.62)


def test_water_thins_the_must_by_its_share() -> None:
    watered = lot((0.1, Addition("water", 5, "L", litres=5.0)))

    assert effective_start(watered) == pytest.approx(1.064, abs=0.0003)


def test_sweetening_a_stabilised_wine_makes_no_alcohol() -> None:
    sweet = lot(
        (20, Measurement(0.996)),
        (21, Addition("potassium sorbate", 5, "g")),
        (22, Addition("sugar", 600, "g", why="sweeten", sugar_g=600.0)),
        (23, Measurement(1.008)),
    )

    assert effective_start(sweet) == 1.080
    assert final_gravity(sweet, []) == 0.996


def test_the_hydrometer_has_the_last_word_where_the_estimate_agrees() -> None:
    checked = lot((20, Measurement(0.996)))
    later = [(BEGAN + 25 * DAY_MS, 0.9953)]

    assert final_gravity(checked, later) == 0.996
    assert final_gravity(checked, [(BEGAN + 25 * DAY_MS, 0.9921)]) == 0.9921
    assert final_gravity(lot(), []) == 1.080


def record(*done: tuple[float, What], told: tuple[Told, ...] = (), sensors: bool = True) -> BookRecord:
    made = entries(*done)
    gravity = [(BEGAN + i * 900_000, 1.080 - 0.00008 * i) for i in range(1000)] if sensors else []
    celsius = [(BEGAN + i * 900_000, 20.0) for i in range(1000)] if sensors else []
    return book_record(fold(made).lots["lot"], made, told, gravity, celsius)


DONE = (
    (5.0, Racking("carboy", gravity=1.010)),
    (9.0, Measurement(0.999)),
    (9.1, Addition("sulfite", 1, "g")),
    (20.0, Measurement(0.998)),
    (30.0, Racking("other")),
    (40.0, Bottling(28)),
)


def drawing(of: BookRecord) -> str:
    return curve_svg(of, BEGAN + 41 * DAY_MS, PLAIN, [(BEGAN, Band())])


def test_the_curve_marks_rackings_additions_checks_and_bottling() -> None:
    svg = drawing(record(*DONE))

    assert re.findall(r">(R\d|B)</text>", svg) == ["R1", "R2", "B"]
    assert svg.count('class="racking"') == 2
    assert svg.count('class="addition"') == 1
    assert svg.count('class="check"') == 4
    assert svg.count('class="line"') == 1
    assert 'class="joined"' in svg, "dotted from where the float fell silent to the check"
    assert not re.search(r"(nan|inf)", svg)


def test_every_mark_lies_inside_the_drawing() -> None:
    svg = drawing(record(*DONE))

    width, height = (float(v) for v in re.findall(r'viewBox="0 0 (\d+) (\d+)"', svg)[0])
    for x, y in re.findall(r'c?x="([\d.-]+)" c?y="([\d.-]+)"', svg):
        assert 0 <= float(x) <= width
        assert 0 <= float(y) <= height


def test_a_lot_by_hand_is_drawn_as_dots_through_its_checks() -> None:
    svg = drawing(record(*DONE, sensors=False))

    assert 'class="line"' not in svg
    assert svg.count('class="joined"') == 1
    assert "°C" not in svg


def test_a_lot_just_begun_and_one_without_a_number_are_drawn_too() -> None:
    for start in (Start("bucket", gravity=1.08), Start("bucket")):
        made = entries(start=start)
        svg = drawing(book_record(fold(made).lots["lot"], made, (), [], []))
        assert svg.startswith("<svg")
        assert not re.search(r"(nan|inf)", svg)


def test_corrected_and_undone_entries_stay_on_the_page_struck_out() -> None:
    made = entries((2, Measurement(1.05)), (3, Note("<script>alert(1)</script>")))
    made.append(Entry("99", "lot", BEGAN + 2 * DAY_MS, BEGAN + 9, Measurement(1.06), replaces="01"))
    made[2] = Entry("02", "lot", made[2].at_ms, made[2].recorded_ms, made[2].what, undone_ms=BEGAN + 10)
    told = (Told(BEGAN + DAY_MS, "too-warm", "warning", "Too warm & rising"),)

    of = book_record(fold(made).lots["lot"], made, told, [], [])
    html = book_page(of, cellar="c", profile_title="Table wine", now_ms=BEGAN + 4 * DAY_MS)

    assert {line.entry.id: line.standing for line in of.lines if line.entry} == {
        "00": Standing.HOLDS, "01": Standing.REPLACED, "99": Standing.HOLDS, "02": Standing.UNDONE,
    }  # fmt: skip
    assert html.count("class=gone") == 2
    assert "<script" not in html
    assert "&lt;script&gt;alert(1)" in html
    assert "Too warm &amp; rising" in html


def test_entries_are_told_in_plain_words_in_the_units_the_cellar_likes() -> None:
    check = Measurement(1.0242, 25.0, gravity_as_read=1.023)

    assert what_was_done(check) == "checked by hand: gravity 1.0242 (1.0230 as read), 25.0 °C"
    assert what_was_done(check, in_words=False) == "checked by hand: 1.0230 as read"
    assert (
        what_was_done(check, Measures("Bx", "F"))
        == "checked by hand: gravity 6.1 °Bx (5.8 °Bx as read), 77.0 °F"
    )
    assert (
        what_was_done(Reanchor("f", -0.003), Measures("Bx"))
        == "f re-anchored: −0.78 °Bx of gravity from here on"
    )
    racked = Racking("carboy", "bucket", 1.003, 18.8, lees_litres=1.0, floats=("f",), from_sensors=True)
    assert what_was_done(racked) == (
        "racked from bucket to carboy, gravity 1.0030, 18.8 °C (from the sensors), 1 L of lees left behind, "
        "f went along"
    )
