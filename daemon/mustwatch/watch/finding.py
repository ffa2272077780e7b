"""Findings: what a detector concluded, with its evidence. The words of the design, as types."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum


class FindingKind(StrEnum):
    """Every kind of finding there is."""

    RACK_DUE = "rack-due"
    FINISHED = "finished"
    STUCK = "stuck"
    SLUGGISH = "sluggish"
    LATE_ONSET = "late-onset"
    REFERMENTING = "refermenting"
    TOO_WARM = "too-warm"
    TOO_COLD = "too-cold"
    FAST_CHANGE = "fast-change"
    NIGHT_SWING = "night-swing"
    FLOAT_FROZEN = "float-frozen"
    FLOAT_ADRIFT = "float-adrift"
    LOT_MISSING = "lot-missing"
    SENSOR_SILENT = "sensor-silent"
    BATTERY_LOW = "battery-low"
    CLOCK_WRONG = "clock-wrong"
    STORAGE_TROUBLE = "storage-trouble"
    DELIVERY_TROUBLE = "delivery-trouble"
    BROKER_TROUBLE = "broker-trouble"
    UNWATCHED = "unwatched"


class Severity(StrEnum):
    """How much a finding matters, rising."""

    NOTICE = "notice"
    WARNING = "warning"
    URGENT = "urgent"


class Change(StrEnum):
    """What a transition says about a finding."""

    RAISED = "raised"
    """It holds from now on (or holds at another severity than before)."""
    CLEARED = "cleared"
    """It was seen not to hold any more. Silence never clears: no data is not good news."""


@dataclass(frozen=True, slots=True)
class Subject:
    """What a finding is about. With the kind it identifies an alert: at most one open per (kind, subject).

    Findings about a wine name the lot; about a sensor, the sensor (and its vessel and lot where known, which
    do not count for identity when ``sensor_bound`` is True); about the daemon itself, none of them.
    """

    lot: str | None = None
    vessel: str | None = None
    sensor: str | None = None


Evidence = Mapping[str, float | int | str | None]

OF_NO_LOT = frozenset(
    {
        FindingKind.LOT_MISSING,
        FindingKind.SENSOR_SILENT,
        FindingKind.BATTERY_LOW,
        FindingKind.CLOCK_WRONG,
        FindingKind.STORAGE_TROUBLE,
        FindingKind.DELIVERY_TROUBLE,
        FindingKind.BROKER_TROUBLE,
        FindingKind.UNWATCHED,
    }
)
"""Kinds that no lot's watch concludes, though a lot may be named as the place."""


def is_of_a_lot(kind: FindingKind, evidence: Evidence) -> bool:
    """Return whether a lot's watch concludes this: then, and only then, evaluating the lot again brings it up again.

    A float that repeats its gravity is judged in its lot; a probe that repeats its temperature by itself, whatever
    lot it is in (``sensor_watch``), and says so by that temperature.
    """
    is_a_probes = kind is FindingKind.FLOAT_FROZEN and "celsius" in evidence
    return kind not in OF_NO_LOT and not is_a_probes


@dataclass(frozen=True, slots=True)
class Transition:
    """A finding that began, changed severity, or ceased, at an instant of event time.

    ``evidence`` holds numbers with their unit in the key (``gravity``, ``rate_per_day``, ``celsius``,
    ``hours_settled``); it is what the message and the alert page show.
    """

    kind: FindingKind
    change: Change
    at_ms: int
    severity: Severity
    subject: Subject
    evidence: Evidence = field(default_factory=dict)
