"""What is due over a cellar: rounds, reminders on their days, and what was done, put off or dropped."""

from datetime import date
from zoneinfo import ZoneInfo

import pytest

from mustwatch.cellar.book import (
    WHOLE_CELLAR,
    Act,
    Attended,
    Entry,
    Measurement,
    OwnReminder,
    Racking,
    Start,
    What,
)
from mustwatch.cellar.due import DueThing, day_ms, day_of, due_id, in_order_of_need, of_lot, reminders_set
from mustwatch.cellar.facts import Facts
from mustwatch.cellar.history import LotHistory, fold
from mustwatch.cellar.instant import DAY_MS, HOUR_MS
from mustwatch.cellar.steps import Due
from mustwatch.config.profiles import load_profile
from mustwatch.recording.ahead import day_ahead, span

VIENNA = ZoneInfo("Europe/Vienna")
BEGAN = day_ms(date(2026, 9, 21), VIENNA)
DEFAULT = load_profile("default")


def at(day: float) -> int:
    return BEGAN + int(day * DAY_MS)


def entry(day: float, what: What, name: str = "", lot: str = "red") -> Entry:
    return Entry(name or f"{day}{what.kind}", lot, at(day), at(day), what)


def lot(*done: tuple[float, What]) -> LotHistory:
    start = entry(0, Start("bucket", gravity=1.085, litres=23.0))
    return fold([start, *(entry(day, what) for day, what in done)]).lots["red"]


def seen(day: float, **findings: float) -> Facts:
    since = {name.replace("_", "-"): at(d) for name, d in findings.items()}
    return Facts(since, 0.994, 0.0005, 0.0, 0.0003, 19.0, at(day), floats=("float-1",))


MATURED = ((6.0, Racking("carboy", gravity=1.010)), (26.0, Racking("other", gravity=0.994)))


def due(day: float, *more: tuple[float, What], ahead: float = 0.0) -> dict[str, DueThing]:
    things = of_lot(lot(*MATURED, *more), DEFAULT, at(day), seen(day, finished=12), int(ahead * DAY_MS))
    return {thing.item: thing for thing in things}


# --- rounds ---


def test_the_rounds_of_a_wine_in_bulk_come_at_their_intervals_after_it_matures() -> None:
    """Airlock weekly, level monthly, free SO2 and tasting every six weeks: common practice, no source."""
    first = {item: round((t.due_ms or 0) - at(26)) / DAY_MS for item, t in due(27, ahead=90).items()}

    assert {k: first[k] for k in ("top-up", "sulfite-check", "taste")} == {
        "top-up": 28.0,
        "sulfite-check": 42.0,
        "taste": 42.0,
    }
    assert "sulfite-check" not in due(67)
    assert due(68.1)["sulfite-check"].due is Due.NOW


def test_a_round_that_the_book_shows_done_comes_again_after_its_interval() -> None:
    measured = (70.0, Measurement(free_so2_mg_per_l=28.0))

    assert "sulfite-check" in due(111.9, ahead=1)
    assert "sulfite-check" not in due(111.9, measured)
    assert "sulfite-check" in due(112.1, measured)
    assert "sulfite-check" in due(112.1, (70.0, Measurement(0.994, 20.0)))  # that check says nothing of SO2


def test_what_is_said_to_be_done_put_off_or_dropped_holds() -> None:
    off_ms = at(60)

    assert "top-up" in due(54.1)
    assert "top-up" not in due(54.1, (54.05, Attended("top-up", Act.DONE)))
    assert due(82.2, (54.05, Attended("top-up", Act.DONE)))["top-up"].due_ms == at(82.05)
    put_off = (54.05, Attended("top-up", Act.PUT_OFF, off_ms))
    assert "top-up" not in due(59.9, put_off)
    assert due(60.1, put_off)["top-up"].due_ms == off_ms
    assert "top-up" not in due(300, (54.05, Attended("top-up", Act.DROPPED)))


def test_a_step_that_is_dropped_makes_way_for_the_next_and_one_put_off_keeps_its_place() -> None:
    def steps(*more: tuple[float, What]) -> list[tuple[str, Due]]:
        history = lot((6.0, Racking("carboy", gravity=1.010)), *more)
        return [
            (t.item, t.due)
            for t in of_lot(history, DEFAULT, at(30), seen(30, finished=12))
            if t.kind == "step"
        ]

    assert steps() == [("finish-check", Due.OVERDUE), ("second-racking", Due.OVERDUE)]
    assert steps((28.0, Attended("finish-check", Act.PUT_OFF, at(40))))[0] == ("finish-check", Due.LATER)
    dropped = steps((28.0, Attended("finish-check", Act.DROPPED)))
    assert [item for item, _ in dropped] == ["second-racking", "bottle"]


def test_a_lot_without_a_float_is_dipped_when_it_was_put_off_to() -> None:
    start = fold([entry(0, Start("bucket", gravity=1.085))]).lots["red"]
    later = fold([*start.entries, entry(2.1, Attended("dip", Act.PUT_OFF, at(9)))]).lots["red"]

    assert [t.item for t in of_lot(start, DEFAULT, at(8)) if t.kind == "round"] == ["dip"]
    assert [t.item for t in of_lot(later, DEFAULT, at(8)) if t.kind == "round"] == []


# --- reminders ---


def days(reminder: OwnReminder, *said: tuple[float, Attended], now: float = 0.0) -> list[str]:
    """Return the day a reminder is due next, none if it is over."""
    entries = [entry(0, reminder, "r"), *(entry(day, what, f"a{day}") for day, what in said)]
    return [day_of(t.due_ms or 0, VIENNA).isoformat() for t in reminders_set(entries, at(now), VIENNA)]


DONE, DROPPED = Attended("r", Act.DONE), Attended("r", Act.DROPPED)


def test_a_reminder_is_due_on_its_day_and_over_when_it_is_done_or_dropped() -> None:
    once = OwnReminder("order corks", "2026-10-01")

    assert days(once) == ["2026-10-01"]
    assert days(once, (3.0, DONE)) == []
    assert days(once, (3.0, DROPPED)) == []


@pytest.mark.parametrize(
    ("every", "done_on_day", "following"),
    [
        ("P6W", 10.5, "2026-11-12"),  # done on its day, 1 October
        ("P6W", 4.0, "2026-11-12"),  # done early: the day that was waited for is settled
        ("P6W", 60.0, "2026-12-24"),  # done late, on 20 November: that of 12 November is settled with it
        ("P1Y", 10.5, "2027-10-01"),
        ("P2M", 10.5, "2026-12-01"),
        ("P10D", 10.5, "2026-10-11"),
    ],
)
def test_a_reminder_that_comes_again_keeps_to_its_days_however_late_it_was_done(
    every: str, done_on_day: float, following: str
) -> None:
    assert days(OwnReminder("taste it", "2026-10-01", every), (done_on_day, DONE)) == [following]


def test_a_month_that_lacks_the_day_has_its_last_and_the_next_has_it_again() -> None:
    ends = OwnReminder("count the bottles", "2027-01-31", "P1M")
    on = [(day_ms(date(2027, month, 1), VIENNA) - BEGAN) / DAY_MS + 28.5 for month in (1, 2)]

    assert days(ends, (on[0] + 3, DONE)) == ["2027-02-28"]
    assert days(ends, (on[0] + 3, DONE), (on[1], DONE)) == ["2027-03-31"]


def test_a_reminder_that_was_put_off_is_due_then_and_the_next_one_on_its_own_day() -> None:
    weekly = OwnReminder("look in", "2026-10-01", "P1W")
    put_off = (10.5, Attended("r", Act.PUT_OFF, day_ms(date(2026, 10, 5), VIENNA)))

    assert days(weekly, put_off) == ["2026-10-05"]
    assert days(weekly, put_off, (14.5, DONE)) == ["2026-10-08"]


@pytest.mark.parametrize(
    ("on", "utc_hour"), [("2027-03-28", 23), ("2027-03-29", 22), ("2026-10-25", 22), ("2026-10-26", 23)]
)
def test_a_day_begins_at_midnight_by_the_cellars_clock_before_and_after_the_clocks_are_set(
    on: str, utc_hour: int
) -> None:
    """Europe/Vienna sets its clocks on the last Sundays of March and October (IANA tz database)."""
    began_ms = day_ms(date.fromisoformat(on), VIENNA)

    assert began_ms // HOUR_MS % 24 == utc_hour
    assert day_of(began_ms, VIENNA).isoformat() == on
    assert day_of(began_ms - 1, VIENNA) < date.fromisoformat(on)


def test_things_stand_in_the_order_of_need_and_keep_their_identity() -> None:
    entries = [
        entry(0, OwnReminder("late", "2026-09-22"), "a", WHOLE_CELLAR),
        entry(0, OwnReminder("now", "2026-09-25"), "b", WHOLE_CELLAR),
        entry(0, OwnReminder("later", "2026-10-25"), "c", WHOLE_CELLAR),
    ]
    things = in_order_of_need(reversed(reminders_set(entries, at(4.5), VIENNA)))

    assert [(t.do, t.due) for t in things] == [("late", Due.OVERDUE), ("now", Due.NOW), ("later", Due.LATER)]
    assert things[0].id == due_id(None, "a") != due_id("red", "a")


# --- as people type it ---

SATURDAY = date(2026, 11, 28)


@pytest.mark.parametrize(
    ("typed", "day"),
    [
        ("2027-03-01", "2027-03-01"),
        ("tomorrow", "2026-11-29"),
        ("Sat", "2026-12-05"),
        ("sunday", "2026-11-29"),
        ("in 3 weeks", "2026-12-19"),
        ("in 10 days", "2026-12-08"),
    ],
)
def test_a_day_to_come_is_read_as_people_type_it(typed: str, day: str) -> None:
    assert day_ahead("--on", typed, SATURDAY).isoformat() == day


@pytest.mark.parametrize(
    "typed", ["", "soon", "t", "s", "in weeks 3", "2027-02-30", "31.12.2027", "in 0 days"]
)
def test_a_day_that_cannot_be_read_says_what_was_expected(typed: str) -> None:
    with pytest.raises(ValueError, match=r"--on .*cannot be read; expected a"):
        day_ahead("--on", typed, SATURDAY)


@pytest.mark.parametrize(
    ("typed", "iso"),
    [("6 weeks", "P6W"), ("year", "P1Y"), ("10 days", "P10D"), ("2 months", "P2M"), ("3d", "P3D")],
)
def test_a_span_is_read_as_people_type_it(typed: str, iso: str) -> None:
    assert span("--every", typed) == iso


@pytest.mark.parametrize("typed", ["", "0 weeks", "-1 week", "6", "fortnight", "1.5 weeks"])
def test_a_span_that_cannot_be_read_says_what_was_expected(typed: str) -> None:
    with pytest.raises(ValueError, match="expected a span such as '6 weeks'"):
        span("--every", typed)
