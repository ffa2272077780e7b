"""Keeping the figures of alerts that hold at the present: newest values, durations since they began, worst so far."""

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import NamedTuple

from mustwatch.alerting import wording
from mustwatch.alerting.alert import Alert, Key
from mustwatch.alerting.rules import Units
from mustwatch.watch.finding import Figures


class Newest(NamedTuple):
    """What is known of a finding that holds, as of an instant of event time; ``vessels``: those its lot stands in."""

    at_ms: int
    evidence: Figures
    vessels: tuple[str, ...] = ()


def brought_up_to_date(
    alerts: Iterable[Alert], newest: Mapping[Key, Newest], units: Units
) -> Iterable[Alert]:
    """Yield the alerts that hold and of which something newer is known, with that.

    A value that is not known now (a thermometer that is silent) stays as it was known last.
    """
    for alert in alerts:
        found = newest.get(alert.key)
        if found is None or alert.is_over or found.at_ms < alert.as_of_ms:
            continue
        before = alert.figures()
        figures = {key: before.get(key) if value is None else value for key, value in found.evidence.items()}
        subject = alert.subject
        if found.vessels and subject.sensor is None and subject.vessel not in found.vessels:
            subject = replace(subject, vessel=found.vessels[0])
        fresh = replace(alert, subject=subject, newest=figures, newest_ms=found.at_ms)
        yield replace(fresh, summary=wording.summary(fresh, units))
