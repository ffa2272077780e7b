"""Which sensors hear a lot, which of its vessel's the book has elsewhere, and which speak where no lot is."""

from collections.abc import Iterator, Mapping

from mustwatch.cellar.book import Bottling, Entry, Racking, Start, Transfer
from mustwatch.cellar.history import BEGINNING_MS, END_MS, CellarHistory
from mustwatch.cellar.sensor import Sensor


def put_in(vessel: str, history: CellarHistory, sensors: Mapping[str, Sensor], at_ms: int) -> tuple[str, ...]:
    """Return the sensors a lot that begins in a vessel is given, if nobody says which: those configured for it.

    One that the book has with another lot stays there.
    """
    places = {s.id: history.place(s.id, at_ms) for s in sensors.values() if s.vessel == vessel and not s.room}
    return tuple(one for one, place in places.items() if place.lot is None and place.vessel != vessel)


def heard_otherwise(before: CellarHistory, after: CellarHistory) -> Mapping[str, int]:
    """Return the lots that sensors were put in, taken from or re-anchored in by a change of the book, with since when.

    The entry that did it may be of another lot: a float that one lot gets, another loses.
    """
    since: dict[str, int] = {}
    for sensor in before.sensor_stays.keys() | after.sensor_stays.keys():
        anchors = [(*history.offsets.get(sensor, ()),) for history in (before, after)]
        turned = set(anchors[0]) ^ set(anchors[1])
        turned_ms = min((at_ms for at_ms, _ in turned), default=END_MS)
        at_ms = BEGINNING_MS
        while at_ms < END_MS:
            was, becomes = before.place(sensor, at_ms), after.place(sensor, at_ms)
            until_ms = min(was.until_ms, becomes.until_ms)
            moved = was[:2] != becomes[:2]
            if moved or turned_ms < until_ms:
                from_ms = at_ms if moved else max(at_ms, turned_ms)
                for lot in (was.lot, becomes.lot):
                    if lot is not None:
                        since[lot] = min(from_ms, since.get(lot, END_MS))
            at_ms = until_ms
    return since


def told_otherwise(before: CellarHistory, after: CellarHistory) -> Mapping[str, int]:
    """Return the lots whose line a change of the book made another, with since when: its parts and blends too."""
    since: dict[str, int] = {}
    for lot in before.lots.keys() | after.lots.keys():
        was, becomes = (of.lots[lot].entries if lot in of.lots else () for of in (before, after))
        if was != becomes:
            turned = [e.at_ms for e in (*was, *becomes) if (e in was) != (e in becomes)]
            since[lot] = min(turned, default=BEGINNING_MS)
    return since


def said_of_sensors(entry: Entry, history: CellarHistory, sensors: Mapping[str, Sensor]) -> Iterator[str]:
    """Yield which sensors hear a lot once it has begun or was racked, and what the book says of those that do not.

    Nothing in a cellar without sensors in the wine.
    """
    lot, what, at_ms = history.lots.get(entry.lot), entry.what, entry.at_ms
    if isinstance(what, Transfer | Bottling):
        yield from _moved(history, sensors, at_ms)
        return
    known = {s.id: history.place(s.id, at_ms) for s in sensors.values() if not s.room}
    if lot is None or not isinstance(what, Start | Racking) or not known:
        return
    vessel = what.vessel if isinstance(what, Start) else what.to_vessel
    here = [sensor for sensor, place in known.items() if place.lot == entry.lot]
    if here:
        yield f"Heard by {' and '.join(here)}"
    else:
        yield f"No sensor hears it: dip the hydrometer, or put a float in and write: {_move('SENSOR', vessel)}"
    came_from = lot.vessel_at(at_ms - 1)
    for sensor, place in known.items():
        if sensor in here:
            continue
        if sensors[sensor].vessel == vessel:
            booked = "out" if place.vessel is None else f"in {place.vessel}"
            with_lot = f" with {place.lot!r}" if place.lot is not None else ""
            yield f"The book has {sensor} {booked}{with_lot}: if it is in {vessel}, write: {_move(sensor, vessel)}"
        elif came_from is not None and place.vessel == came_from:
            yield f"Left in {came_from}: {sensor}; if it went along, write: {_move(sensor, vessel)}"


def _moved(history: CellarHistory, sensors: Mapping[str, Sensor], at_ms: int) -> Iterator[str]:
    """Yield where each sensor is that was with a lot until an instant and is now elsewhere, or without one."""
    for sensor in (s.id for s in sensors.values() if not s.room):
        before, now = history.place(sensor, at_ms - 1), history.place(sensor, at_ms)
        if before.lot is None or (before.vessel, before.lot) == (now.vessel, now.lot):
            continue
        if now.vessel is None:
            yield f"{sensor} is out: the book has it in no vessel until it is put into one"
        elif now.lot is None:
            yield f"Left in {now.vessel}: {sensor}; if it went along, write: {_move(sensor, 'VESSEL')}"
        elif now.vessel != before.vessel:
            yield f"{sensor} is in {now.vessel} now, with {now.lot!r}"
        else:
            yield f"{sensor} is with {now.lot!r} now, in {now.vessel}"


def _move(sensor: str, vessel: str) -> str:
    return f"mustwatch record move {sensor!r} --to {vessel!r}"
