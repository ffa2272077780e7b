"""What the store holds as InfluxDB line protocol: for the mirror and for ``export --format lines``.

Every point carries the tags ``site`` and ``cellar``, which keep cellars that share a database apart. A point that
does not hold any more (a reading whose time was corrected, an estimate that was concluded anew) cannot be taken out
by writing; it is written over with the field ``withdrawn`` true. A query leaves those out.

Source: InfluxDB OSS v2, "Line protocol" (escaping, types, timestamps in nanoseconds), from memory; tried against a
real server by tests/integration/test_mirror_influx.py.
"""

import json
from collections.abc import Iterable, Mapping
from typing import NamedTuple

from mustwatch.alerting.alert import Alert
from mustwatch.cellar.book import Entry
from mustwatch.cellar.entry_json import entry_to_json
from mustwatch.cellar.history import SensorStay
from mustwatch.cellar.reading import Reading
from mustwatch.store.book import CalibrationPoints
from mustwatch.store.outbox import OutboxRow
from mustwatch.watch.estimate import Estimate
from mustwatch.watch.finding import Transition

Tags = Mapping[str, str | None]
Value = float | int | str | bool | None

_TAG = str.maketrans({",": r"\,", "=": r"\=", " ": r"\ ", "\\": "⧵", "\n": r"\ "})
"""A backslash cannot be written in a tag so that every reader reads it alike: it travels as U+29F5."""
_TEXT = str.maketrans({"\\": r"\\", '"': r"\""})


def tag_as_written(value: str) -> str:
    """Return the name that a tag's value stands for."""
    return value.replace("⧵", "\\")


def _field(value: Value) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return f"{value}i"
    if isinstance(value, float):
        return repr(value)
    return f'"{str(value).translate(_TEXT)}"'


def line(measurement: str, tags: Tags, fields: Mapping[str, Value], at_ms: int) -> str:
    """Return one point, or "" if it has no field: tags and fields that are None or empty are left out."""
    said = ",".join(f"{name}={_field(value)}" for name, value in fields.items() if value is not None)
    if not said:
        return ""
    series = ",".join([measurement, *(f"{k}={v.translate(_TAG)}" for k, v in tags.items() if v)])
    return f"{series} {said} {max(at_ms, 0) * 1_000_000}"


class Sent(NamedTuple):
    """When something is sent, and whether again at the present for a bucket that drops what is old.

    What is sent again has the tag ``again``: charts leave it out.
    """

    at_ms: int
    is_again: bool = False


class Lines:
    """Makes the lines of one cellar."""

    def __init__(self, site: str, cellar: str) -> None:
        """Name the site and the cellar."""
        self.whose: Tags = {"site": site, "cellar": cellar}

    def reading(
        self,
        reading: Reading,
        kind: str | None,
        vessel: str | None,
        lot: str | None,
        fields: Mapping[str, Value] | None = None,
    ) -> str:
        """Return a reading as its sensor said it, tagged with where the sensor was then."""
        return line(
            "reading",
            {**self.whose, "sensor": reading.sensor, "kind": kind, "vessel": vessel, "lot": lot},
            {
                "gravity": _number(reading.gravity),
                "inclination": _number(reading.inclination_deg),
                "celsius": _number(reading.temperature_c),
                "battery_v": _number(reading.battery_v),
                "signal_dbm": _number(reading.signal_dbm),
                "received_ms": reading.received_ms,
                "stamp": int(reading.stamp),
                **(fields or {}),
            },
            reading.observed_ms,
        )

    def withdrawn(self, measurement: str, tags: Tags, at_ms: int) -> str:
        """Return the line that says that a point written before does not hold any more."""
        return line(measurement, {**self.whose, **tags}, {"withdrawn": True}, at_ms)

    def estimate(self, lot: str, estimate: Estimate, fields: Mapping[str, Value] | None = None) -> str:
        """Return a lot's estimate."""
        return line(
            "estimate",
            {**self.whose, "lot": lot},
            {
                "gravity": _number(estimate.gravity),
                "gravity_sd": _number(estimate.gravity_sd),
                "rate_per_day": _number(estimate.rate_per_day),
                "rate_sd": _number(estimate.rate_sd),
                "celsius": _number(estimate.temperature_c),
                **(fields or {}),
            },
            estimate.at_ms,
        )

    def finding(self, finding: Transition, fields: Mapping[str, Value] | None = None) -> str:
        """Return what began or ceased to hold."""
        return line(
            "finding",
            {**self.whose, **finding_tags(finding)},
            {
                "severity": str(finding.severity),
                "evidence": json.dumps(dict(finding.evidence), ensure_ascii=False),
                **(fields or {}),
            },
            finding.at_ms,
        )

    def entry(self, entry: Entry, sent: Sent | None = None) -> str:
        """Return an entry of the book: its whole body as JSON, so that it can be read back."""
        fields: dict[str, Value] = {
            "body": json.dumps(entry_to_json(entry), ensure_ascii=False),
            "is_undone": entry.undone_ms is not None,
        }
        return self._kept(
            "entry", {"lot": entry.lot, "kind": str(entry.kind), "id": entry.id}, fields, entry.at_ms, sent
        )

    def alert(self, alert: Alert, sent: Sent | None = None) -> str:
        """Return an alert as it stands, at the instant it was opened. ``cleared_ms`` 0: it holds."""
        fields: dict[str, Value] = {
            "body": json.dumps(alert.to_json(), ensure_ascii=False),
            "summary": alert.summary,
            "state": alert.state.value,
            "cleared_ms": alert.cleared_ms or 0,
        }
        of = alert.subject
        return self._kept(
            "alert", alert_tags(alert.kind, of.lot, of.sensor, alert.id), fields, alert.opened_ms, sent
        )

    def calibration(self, calibration: CalibrationPoints, sent: Sent | None = None) -> str:
        """Return a float's calibration, at the instant from which it holds."""
        body = {"from_ms": calibration.from_ms, "points": calibration.points}
        fields: dict[str, Value] = {"body": json.dumps(body)}
        return self._kept("calibration", {"sensor": calibration.sensor}, fields, calibration.from_ms, sent)

    def place(self, stay: SensorStay, sent: Sent | None = None) -> str:
        """Return where the configuration put a sensor, at the instant from which it holds."""
        body = {"from_ms": stay.from_ms, "vessel": stay.vessel}
        fields: dict[str, Value] = {"body": json.dumps(body, ensure_ascii=False)}
        return self._kept("place", {"sensor": stay.sensor}, fields, stay.from_ms, sent)

    def message(self, row: OutboxRow, told_ms: int | None, expired_ms: int | None, sent: Sent) -> str:
        """Return a message to somebody, and whether it was told or given up (0: not)."""
        message = row.message
        fields: dict[str, Value] = {
            "body": json.dumps(message.to_json(), ensure_ascii=False),
            "told_ms": told_ms or 0,
            "expired_ms": expired_ms or 0,
        }
        return self._kept(
            "message", {"target": message.target, "id": message.id}, fields, message.created_ms, sent
        )

    def _kept(
        self, measurement: str, tags: Tags, fields: Mapping[str, Value], at_ms: int, sent: Sent | None
    ) -> str:
        """Return a point of what must not be lost: the newest by ``sent`` holds, wherever in time it stands."""
        if sent is None:
            return line(measurement, {**self.whose, **tags}, fields, at_ms)
        again = str(at_ms) if sent.is_again else None
        return line(
            measurement,
            {**self.whose, **tags, "again": again},
            {**fields, "withdrawn": False, "sent": sent.at_ms},
            sent.at_ms if sent.is_again else at_ms,
        )


def alert_tags(kind: str, lot: str | None, sensor: str | None, alert_id: str) -> Tags:
    """Return the tags of an alert."""
    return {"kind": str(kind), "lot": lot, "sensor": sensor, "id": alert_id}


def finding_tags(finding: Transition) -> Tags:
    """Return the tags that tell findings of one instant apart."""
    of = finding.subject
    return {
        "kind": str(finding.kind),
        "change": str(finding.change),
        "lot": of.lot,
        "vessel": of.vessel,
        "sensor": of.sensor,
    }


def _number(value: float | None) -> float | None:
    """Return a value that InfluxDB will always take for a float: the first one written decides a field's type."""
    return None if value is None else float(value)


def joined(lines: Iterable[str]) -> bytes:
    """Return lines as one body, those that say nothing left out."""
    return "\n".join(text for text in lines if text).encode("utf-8")
