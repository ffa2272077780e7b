"""An alert in one sentence of now, as a card begins with it."""

from datetime import UTC

import pytest

from mustwatch.alerting.alert import Alert, Raise
from mustwatch.alerting.present import UNKNOWN, Course, present
from mustwatch.alerting.rules import Units
from mustwatch.cellar.instant import HOUR_MS, MINUTE_MS
from mustwatch.watch.finding import FindingKind, Severity, Subject, kind_named, kinds

FIVE_MS = 1_788_238_800_000  # 2026-09-01T05:00Z
NOW_MS = FIVE_MS + 70 * MINUTE_MS
UNITS = Units(zone=UTC)


def cold(celsius: float, worst: float, **more: float) -> Alert:
    figures = {
        "celsius": celsius,
        "limit_celsius": 15.0,
        "worst_celsius": worst,
        "minutes_beyond": 360,
        **more,
    }
    raised = Raise(NOW_MS - 5 * HOUR_MS, Severity.URGENT, figures)
    return Alert("a", kind_named("too-cold"), Subject("kit", "bucket"), (raised,), NOW_MS)


def said(alert: Alert, course: Course = UNKNOWN) -> str:
    return " ".join(part for part in present(alert, UNITS, NOW_MS, course) if part)


@pytest.mark.parametrize(
    ("celsius", "course", "ends"),
    [
        (13.1, Course(0.6, FIVE_MS), "13.1 °C, limit 15.0 °C, lowest 10.9 °C at 05:00, coming back."),
        (13.1, Course(-0.6, FIVE_MS), "13.1 °C, limit 15.0 °C, lowest 10.9 °C at 05:00, still falling."),
        (13.1, Course(0.02, FIVE_MS), "13.1 °C, limit 15.0 °C, lowest 10.9 °C at 05:00, not moving."),
        (10.9, Course(-0.6, FIVE_MS), "10.9 °C, limit 15.0 °C, still falling."),
        (13.1, UNKNOWN, "13.1 °C, limit 15.0 °C, lowest 10.9 °C."),
    ],
)
def test_what_for_how_long_how_bad_and_where_it_is_going(celsius: float, course: Course, ends: str) -> None:
    act = "Move it somewhere warmer, or wrap it up."

    assert said(cold(celsius, 10.9), course) == f"Much too cold for 6 hours: {ends} {act}"


def test_a_state_by_the_clock_runs_on() -> None:
    raised = Raise(NOW_MS - 2 * HOUR_MS, Severity.WARNING, {"hours_silent": 1.0})
    silent = Alert("a", kind_named("sensor-silent"), Subject(None, None, "float-1"), (raised,), NOW_MS)

    assert "Its last reading was 3 hours ago." in said(silent)


@pytest.mark.parametrize("kind", kinds())
def test_every_kind_has_a_whole_sentence_even_without_figures(kind: FindingKind) -> None:
    text = said(Alert("a", kind, Subject("kit"), (Raise(NOW_MS, Severity.NOTICE, {}),), NOW_MS))

    assert text[0].isupper()
    assert text.endswith(".")
    assert ": ." not in text
    assert ".." not in text
