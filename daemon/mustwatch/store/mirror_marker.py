"""The mirror's marker: a point of its own on the server that says whose points stand there, and how many.

A server that was made anew under the same names answers like the former one, and holds nothing. The marker tells them
apart: it carries an id of the store it was written by, a number that only grows, and counts. Every store has a series
of its own, so that a new card's first start does not write over what the former one said.
"""

import json
from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple, Self

from mustwatch.store.mirror_lines import Tags, line

MEASUREMENT = "mirror"


class Counts(NamedTuple):
    """How much there is. Readings are counted in [from, until); whatever else, all of it."""

    readings: int
    from_ms: int
    until_ms: int
    entries: int
    alerts: int
    calibrations: int
    places: int


class Marker(NamedTuple):
    """What a store wrote when all of it was sent."""

    instance: str
    serial: int
    counts: Counts

    def line(self, whose: Tags, at_ms: int) -> str:
        """Return it as a point."""
        body = json.dumps(self.counts._asdict())
        return line(
            MEASUREMENT, {**whose, "instance": self.instance}, {"serial": self.serial, "body": body}, at_ms
        )

    @classmethod
    def of_record(cls, record: Mapping[str, Any]) -> Self:
        """Return the marker that a point read back is.

        Raises:
            KeyError, TypeError, ValueError: it is none.
        """
        return cls(str(record["instance"]), int(record["serial"]), Counts(**json.loads(record["body"])))


def newest(markers: Iterable[Marker]) -> dict[str, Marker]:
    """Return the newest marker of each store, by its instance."""
    found: dict[str, Marker] = {}
    for marker in markers:
        if marker.instance not in found or found[marker.instance].serial < marker.serial:
            found[marker.instance] = marker
    return found


class Standing(NamedTuple):
    """How a server stands.

    Attributes:
        retention_s: points older than this are dropped there; 0: none are; None: the token may not ask.
        markers: the newest of each store; None: they could not be read.
        why: why they could not.
        is_told: whether that is worth telling: not where no InfluxDB answers, which cannot be asked at all.
    """

    retention_s: int | None
    markers: Mapping[str, Marker] | None
    why: str = ""
    is_told: bool = False


def difference(standing: Standing, instance: str, serial: int) -> str | None:
    """Return in words how a server differs from what this store has sent, or None if it does not.

    Args:
        standing: what the server says.
        instance, serial: of the last marker this store wrote; serial 0: it wrote none yet.
    """
    if standing.markers is None or serial <= 0:
        return None
    there = standing.markers.get(instance)
    if there is None:
        return "no longer holds what was sent there, as if it had been made anew"
    if there.serial < serial:
        return "has gone back to an earlier state, as after its own restore"
    if there.serial > serial:
        return (
            "holds more than this store has sent: was the store put back from a backup? "
            "`mustwatch restore --from-influx` brings the rest"
        )
    return None
