"""Silence: a sensor that should have spoken. The only judgement that uses the time of the wall clock."""

from dataclasses import dataclass

from mustwatch.cellar.instant import HOUR_MS
from mustwatch.cellar.quantities import Hours
from mustwatch.watch.finding import About, Change, Evidence, FindingKind, Severity, Subject, Transition


@dataclass(frozen=True, slots=True)
class Silence(Evidence):
    """For how long nothing was heard, and after how long that counts."""

    hours_silent: Hours
    silent_after_hours: Hours


KIND = FindingKind("sensor-silent", About.GEAR, Silence, is_of_lot=False, runs_on="hours_silent")


def judge_silence(
    subject: Subject,
    last_heard_ms: int,
    silent_after_s: float,
    now_ms: int,
    *,
    is_open: bool,
) -> Transition | None:
    """Return that a sensor fell silent or was heard again, or None where nothing changed.

    Silence says nothing of the wine: no finding but ``sensor-silent`` is raised or cleared by it.

    Args:
        subject: names the sensor (and its vessel and lot where known).
        last_heard_ms: when its last reading was received; its first place if it never spoke.
        silent_after_s: seconds without a reading after which it counts as silent.
        now_ms: the wall clock.
        is_open: whether ``sensor-silent`` already holds for it.
    """
    quiet_ms = now_ms - last_heard_ms
    is_silent = quiet_ms > silent_after_s * 1000.0
    if is_silent == is_open:
        return None
    evidence = Silence(Hours(round(quiet_ms / HOUR_MS, 2)), Hours(round(silent_after_s / 3600, 2)))
    change = Change.RAISED if is_silent else Change.CLEARED
    # An alert is dated when the silence became one, not when somebody looked.
    at_ms = last_heard_ms + int(silent_after_s * 1000) if is_silent else last_heard_ms
    return Transition(KIND, change, at_ms, Severity.WARNING, subject, evidence.figures())
