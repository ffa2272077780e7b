"""Every message as a winemaker reads it at six in the morning: each kind, from first telling to end."""

import re
from datetime import UTC
from zoneinfo import ZoneInfo

import pytest

from examples import evidence_of
from mustwatch.alerting import wording
from mustwatch.alerting.alert import Alert, Raise, Telling
from mustwatch.alerting.message import MessageKind
from mustwatch.alerting.rules import Units
from mustwatch.cellar.instant import DAY_MS, HOUR_MS, MINUTE_MS
from mustwatch.cellar.measures import PLAIN
from mustwatch.watch.finding import About, Figures, FindingKind, Severity, Subject, kind_named, kinds

AT_MS = 1_788_410_400_000  # Thu 2026-09-03T04:40Z, 06:40 in Vienna
UNITS = Units(zone=ZoneInfo("Europe/Vienna"), base_address="http://cellar.example:8714/")
K = kind_named

# Where a message must carry a caution, and a word of it that a reader in a hurry must not miss.
CARE = {
    K("rack-due"): "airlock",
    K("finished"): "burst",
    K("stuck"): "burst",
    K("refermenting"): "burst",
    K("too-warm"): "CO2",
    K("too-cold"): "flame",
    K("sluggish"): "foam",
    K("late-onset"): "spoils",
}


def alert(
    kind: FindingKind, severity: Severity = Severity.WARNING, evidence: Figures | None = None, **more: object
) -> Alert:
    """Return an open alert with the evidence a detector hands over."""
    if kind.about is About.DAEMON:
        subject = Subject()
    else:
        subject = Subject("Elder Red", "bucket-1", "float-3" if kind.about is About.GEAR else None)
    given = evidence_of(kind) if evidence is None else evidence
    return Alert(f"{kind.name}-abcd2345", kind, subject, (Raise(AT_MS, severity, given),), AT_MS, **more)  # type: ignore[arg-type]


def over(kind: FindingKind) -> Alert:
    """Return an alert that is over, and was told."""
    return alert(
        kind,
        cleared_ms=AT_MS + 5 * HOUR_MS,
        cleared_evidence={"gravity": 1.0189, "celsius": 20.0},
        tellings={"phone": Telling(Severity.WARNING, AT_MS, 1)},
    )


def check_form(written: wording.Written, kind: FindingKind) -> None:
    """Check what holds for every text: one line of title, whole sentences, nothing of the machine."""
    text = f"{written.title}\n{written.body}"
    assert "\n" not in written.title
    assert 10 <= len(written.title) <= 80
    assert len(written.body) <= 900
    assert "None" not in text
    assert "  " not in written.body.replace("\n  ", "\n")
    assert "_" not in text
    assert ".." not in text
    for line in written.body.splitlines():
        assert line.startswith("http") or line.endswith((".", ":")) or "--ack" in line or not line, line
    where = {
        True: "the cellar's watch",
        False: "float-3 in bucket-1" if kind.about is About.GEAR else "Elder Red in bucket-1",
    }
    assert where[kind.about is About.DAEMON] in written.title


@pytest.mark.parametrize("kind", kinds())
def test_what_opens_says_what_where_why_since_when_and_what_to_do(kind: FindingKind) -> None:
    written = wording.message(alert(kind), MessageKind.FIRST, UNITS)

    check_form(written, kind)
    why, since, *rest = written.body.splitlines()
    assert re.search(r"\d", why) or not evidence_of(kind), "numbers"
    assert len(why) <= 200, "two lines on a phone"
    assert since == "Since Thu 3 Sep, 06:40."
    assert rest[0].startswith("Next: ")
    assert rest[-1] == f"http://cellar.example:8714/alerts#{kind.name}-abcd2345"
    if kind in CARE:
        assert rest[1].startswith("Take care: ")
        assert CARE[kind] in rest[1]


@pytest.mark.parametrize("kind", kinds())
def test_a_reminder_says_that_it_is_one_and_how_to_stop_it(kind: FindingKind) -> None:
    written = wording.message(alert(kind), MessageKind.REPEAT, UNITS)

    check_form(written, kind)
    assert written.title.startswith("Reminder, ")
    assert "Still so, since Thu 3 Sep, 06:40." in written.body
    assert f"mustwatch alerts --ack {kind.name}-abcd2345" in written.body


@pytest.mark.parametrize("kind", kinds())
def test_what_is_over_says_how_it_stands_and_how_long_it_lasted(kind: FindingKind) -> None:
    written = wording.message(over(kind), MessageKind.OVER, UNITS)

    check_form(written, kind)
    assert written.title.startswith("Over, ")
    assert "When it ended: gravity 1.019, 20.0 °C." in written.body
    assert "It lasted from Thu 3 Sep, 06:40 to 11:40." in written.body
    if kind is K("finished"):
        assert "don't bottle" in written.body
        assert "Nothing needs doing" not in written.body


@pytest.mark.parametrize("kind", kinds())
def test_what_came_and_went_says_how_it_was(kind: FindingKind) -> None:
    written = wording.message(over(kind), MessageKind.PAST, UNITS)

    check_form(written, kind)
    assert written.title.startswith("Came and went, ")
    assert written.body.startswith("When it began: ")


@pytest.mark.parametrize("kind", kinds())
def test_what_never_held_is_taken_back_by_what_was_said_and_when(kind: FindingKind) -> None:
    written = wording.message(over(kind), MessageKind.WITHDRAWN, UNITS)

    check_form(written, kind)
    assert written.title.startswith("False alarm, ")
    assert written.body.startswith("On Thu 3 Sep, 06:40 it was said: ")


@pytest.mark.parametrize("kind", kinds())
def test_what_comes_and_goes_says_when_one_hears_of_it_again(kind: FindingKind) -> None:
    written = wording.flapping(alert(kind), UNITS, HOUR_MS)

    check_form(written, kind)
    assert "when nothing has changed for 60 minutes" in written.body


@pytest.mark.parametrize("kind", kinds())
def test_a_summary_is_one_line_of_what_where_and_why(kind: FindingKind) -> None:
    line = wording.summary(alert(kind), UNITS)

    assert "\n" not in line
    assert len(line) <= 160
    assert line.endswith(".")


@pytest.mark.parametrize("kind", kinds())
def test_evidence_that_lacks_everything_leaves_out_and_never_fails(kind: FindingKind) -> None:
    odd: Figures = {
        "celsius": float("nan"),
        "gravity": None,
        "targets": "",
        "hours_settled": "long",
        "what": "  ",
    }
    for evidence in ({}, odd):
        for message_kind in (MessageKind.FIRST, MessageKind.REPEAT):
            written = wording.message(alert(kind, evidence=evidence), message_kind, UNITS)
            assert "None" not in written.body
            assert "nan" not in written.body
            assert "Next: " in written.body
        assert wording.summary(alert(kind, evidence=evidence), UNITS)


def test_rack_due_in_full() -> None:
    written = wording.message(alert(K("rack-due"), Severity.NOTICE), MessageKind.FIRST, UNITS)

    assert written == (
        "Ready to rack: Elder Red in bucket-1",
        "Gravity is 1.010 at 19.4 °C. It falls by 0.007 a day. It has come down to 1.010, where this wine is racked.\n"
        "Since Thu 3 Sep, 06:40.\n"
        "Next: Rack it off the gross lees into a clean, closed vessel with as little splashing as possible, then note "
        "gravity and temperature (mustwatch record rack).\n"
        "Take care: Close it with an airlock, never with a tight bung: CO2 must get out. A full carboy is heavy and "
        "glass breaks: don't lift it wet or alone.\n"
        "http://cellar.example:8714/alerts#rack-due-abcd2345",
    )


def test_racking_that_is_reckoned_while_the_float_hangs_says_so() -> None:
    evidence: Figures = {**evidence_of(K("rack-due")), "hours_unheard": 3.2}
    body = wording.message(
        alert(K("rack-due"), Severity.NOTICE, evidence=evidence), MessageKind.FIRST, UNITS
    ).body

    assert "Nothing could be believed for 3 hours: this follows from how it fell before that." in body


def test_finished_asks_for_two_hydrometer_readings_before_bottling() -> None:
    body = wording.message(alert(K("finished"), Severity.NOTICE), MessageKind.FIRST, UNITS).body

    assert "Gravity is 0.995 at 19.1 °C." in body
    assert "Dry for this wine is 0.998 or less." in body
    assert "By the way it fell, the chance that more than 0.002 is still to fall is 3 %." in body
    assert "agreed" not in body
    assert "Check with a hydrometer on two days, two or three days apart" in body
    assert "Bottling waits until they agree." in body
    assert "Don't bottle on this message alone." in body


def test_finished_by_hand_says_for_how_long_the_checks_have_agreed() -> None:
    evidence: Figures = {"gravity": 0.9952, "dry_gravity": 0.998, "hours_settled": 49.0}
    body = wording.message(
        alert(K("finished"), Severity.NOTICE, evidence=evidence), MessageKind.FIRST, UNITS
    ).body

    assert "Its checks have agreed for 49 hours." in body
    assert "chance" not in body


@pytest.mark.parametrize(
    ("probability", "said"), [(0.031, "is 3 %."), (0.0004, "is less than 1 %."), (0.0, "is less than 1 %.")]
)
def test_a_chance_is_said_in_whole_percents(probability: float, said: str) -> None:
    evidence: Figures = {"unfinished_gravity": 0.002, "probability_unfinished": probability}
    body = wording.message(
        alert(K("finished"), Severity.NOTICE, evidence=evidence), MessageKind.FIRST, UNITS
    ).body

    assert said in body


def test_refermenting_in_bottles_warns_of_the_bottles_first() -> None:
    written = wording.message(alert(K("refermenting"), Severity.URGENT), MessageKind.FIRST, UNITS)

    assert written.title == "Urgent, fermenting again: Elder Red in bucket-1"
    assert "Bottles of it: into a closed, sturdy box somewhere cold" in written.body
    assert "Bottles can burst, even days later: stay away from them, and cover eyes and hands" in written.body


def test_racking_told_ahead_says_in_how_long() -> None:
    ahead = {**evidence_of(K("rack-due")), "gravity": 1.0161, "hours_ahead": 20.4}

    written = wording.message(alert(K("rack-due"), Severity.NOTICE, ahead), MessageKind.FIRST, UNITS)

    assert written.title == "Racking is near: Elder Red in bucket-1"
    assert "Racking is due at 1.010, expected in about 20 hours." in written.body


def test_a_probe_that_repeats_one_value_is_called_a_probe() -> None:
    probe = alert(
        K("float-frozen"), evidence={"celsius": 19.25, "hours_constant": 12.0, "readings_constant": 720}
    )

    written = wording.message(probe, MessageKind.FIRST, UNITS)

    assert written.title == "Probe repeats one value: float-3 in bucket-1"
    assert "It has said 19.2 °C for 12 hours" in written.body


@pytest.mark.parametrize(
    ("part", "title"),
    [
        ("card", "Readings cannot be stored: the cellar's watch"),
        ("room", "The card is nearly full: the cellar's watch"),
        ("file", "The store was damaged and set aside: the cellar's watch"),
        ("backup", "No backup could be made: the cellar's watch"),
        ("mirror", "The InfluxDB mirror is not as it should be: the cellar's watch"),
        ("something new", "Readings cannot be stored: the cellar's watch"),
    ],
)
def test_each_part_of_the_storage_has_its_words(part: str, title: str) -> None:
    trouble = alert(K("storage-trouble"), evidence={"part": part, "what": "the server answered 401"})

    written = wording.message(trouble, MessageKind.FIRST, UNITS)

    assert written.title == title
    assert "The server answered 401." in written.body


def test_numbers_come_in_the_cellars_units() -> None:
    american = Units("Bx", "F", UTC)

    body = wording.message(alert(K("rack-due")), MessageKind.FIRST, american).body

    # 1.0097 is 2.5 °Bx and 1.010 is 2.6 °Bx (ASBC: 1.010 is 2.56); 19.4 °C is 66.9 °F; 0.0071 is 1.8 °Bx.
    assert "Gravity is 2.5 °Bx at 66.9 °F. It falls by 1.8 °Bx a day. It has come down to 2.6 °Bx" in body
    swing = wording.message(alert(K("night-swing")), MessageKind.FIRST, american).body
    assert "between 53.8 °F and 66.7 °F in one night, a swing of 13.0 °F" in swing


def test_without_an_address_there_is_no_link() -> None:
    assert "http" not in wording.message(alert(K("too-warm")), MessageKind.FIRST, Units()).body


def test_a_room_without_a_lot_is_named_by_its_probe() -> None:
    room = Alert(
        "too-cold-1", K("too-cold"), Subject(sensor="room"), (Raise(AT_MS, Severity.WARNING),), AT_MS
    )

    assert wording.where(room) == "room"


def test_a_digest_says_what_to_see_to_first_and_groups_what_came_and_went() -> None:
    warm = over(K("too-warm"))
    again = Alert(
        "too-warm-2",
        K("too-warm"),
        warm.subject,
        (Raise(AT_MS + 6 * HOUR_MS, Severity.WARNING, evidence_of(K("too-warm"))),),
        AT_MS,
        cleared_ms=AT_MS + 7 * HOUR_MS,
    )

    written = wording.digest(
        [(warm, MessageKind.PAST), (again, MessageKind.PAST), (alert(K("rack-due")), MessageKind.FIRST)],
        UNITS,
    )

    assert written.title == "1 thing to see to and 2 past: Elder Red in bucket-1"
    first, past, link = written.body.split("\n\n")
    assert first.startswith(
        "- Ready to rack: Elder Red in bucket-1, since Thu 3 Sep, 06:40. Gravity is 1.010"
    )
    assert "\n  Next: Rack it" in first
    assert "\n  Take care: " in first
    assert (
        past == "Past:\n- Came and went, too warm: Elder Red in bucket-1, 2 times Thu 3 Sep, 06:40 to 13:40."
    )
    assert link == "http://cellar.example:8714/alerts"


def test_that_something_is_no_longer_finished_carries_its_caution_into_a_digest() -> None:
    written = wording.digest(
        [(over(K("finished")), MessageKind.OVER), (over(K("too-cold")), MessageKind.OVER)], UNITS
    )

    assert "no longer looks finished: Elder Red in bucket-1" in written.body
    assert "Don't bottle: check with a hydrometer first." in written.body


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (0.0, "1 minute"),
        (0.51, "31 minutes"),
        (1.0, "60 minutes"),
        (1.5, "90 minutes"),
        (2.4, "2 hours"),
        (49.0, "49 hours"),
        (72.3, "3 days"),
    ],
)
def test_spans_of_time_in_words(value: float, words: str) -> None:
    assert PLAIN.span(value * HOUR_MS) == words


def test_instants_are_by_the_wall_clock_of_the_cellar() -> None:
    assert PLAIN.moment(AT_MS) == "Thu 3 Sep, 04:40"
    assert UNITS.measures.moment(AT_MS) == "Thu 3 Sep, 06:40"
    assert UNITS.measures.stretch(AT_MS, AT_MS + 30 * MINUTE_MS) == "Thu 3 Sep, 06:40 to 07:10"
    assert UNITS.measures.stretch(AT_MS, AT_MS + 2 * DAY_MS) == "Thu 3 Sep, 06:40 to Sat 5 Sep, 06:40"


NUMBERS = {
    "fast-change": {"Celsius": "64.8 °F", "Celsius per hour": "−6.1 °F an hour"},
    "night-swing": {"Swing celsius": "13.0 °F", "Lowest celsius": "53.8 °F", "Highest celsius": "66.7 °F"},
    "battery-low": {"Battery v": "3.41 V", "Limit v": "3.50 V"},
    "sensor-silent": {"Hours silent": "3 hours", "Silent after hours": "3 hours"},
    "broker-trouble": {"What": "lost", "Missing since ms": "Mon 21 Sep, 14:13"},
    "rack-due": {
        "Gravity": "2.5 °Bx",
        "Gravity sd": "0.1 °Bx",
        "Racking gravity": "2.6 °Bx",
        "Rate per day": "−1.8 °Bx a day",
        "Celsius": "66.9 °F",
    },
}


@pytest.mark.parametrize("name", NUMBERS)
def test_each_number_is_said_in_its_own_unit_whatever_it_is_called(name: str) -> None:
    said = wording.numbers(alert(K(name)), Units("Bx", "F", UTC), AT_MS)

    assert said == NUMBERS[name]


def test_a_number_that_no_kind_declares_is_shown_as_it_was_stored() -> None:
    evidence: Figures = {"gravity": 1.0097, "an_old_key": 0.12345678, "another": None, "words": "so"}

    said = wording.numbers(alert(K("rack-due"), evidence=evidence), UNITS, AT_MS)

    assert said == {"Gravity": "1.010", "An old key": "0.1235", "Another": "–", "Words": "so"}
