"""The book's rules: which entries are refused, and why. A function of the entry, the history and the facts.

The order of the checks is the order in which a person would ask: are the words known, are the numbers
possible, was the wine there then, does it fit, does the gravity make sense, and is it safe.
"""

import re
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field

from mustwatch.cellar.book import (
    WHOLE_CELLAR,
    Addition,
    Attended,
    Bottling,
    Entry,
    Malolactic,
    Move,
    OwnReminder,
    Racking,
    Reanchor,
    StageChange,
    Start,
    Transfer,
)
from mustwatch.cellar.doses import too_much
from mustwatch.cellar.doubts import doubts_of_gravity
from mustwatch.cellar.facts import NOTHING_KNOWN, Facts
from mustwatch.cellar.gates import gates
from mustwatch.cellar.history import END_MS, CellarHistory, LotHistory
from mustwatch.cellar.instant import MINUTE_MS
from mustwatch.cellar.malolactic import malolactic_gates
from mustwatch.cellar.measures import PLAIN, Measures
from mustwatch.cellar.naming import meant, same_name, unknown_lot, unknown_sensor
from mustwatch.cellar.parts import VOLUME_SLACK, bottled_litres
from mustwatch.cellar.possible import bad_values
from mustwatch.cellar.profile import Profile
from mustwatch.cellar.refusal import Reason, Refusal, RefusalKind, wrong
from mustwatch.cellar.repeats import repeats
from mustwatch.cellar.requirements import Case
from mustwatch.cellar.transfer_rules import MEASURED_LITRES, named, transfer_refusals
from mustwatch.cellar.vessel import Vessel

FUTURE_ALLOWED_MS = 5 * MINUTE_MS
"""An entry may be this far ahead of the clock that takes it: two clocks, a hasty hand."""
LEFT_SHARE = 0.15
"""Lees and what stays in the siphon when the last is bottled, as a share of the lot. Common practice, no source."""
NAME = re.compile(r"[^\x00-\x1f/#+]{1,64}")
"""Lots are called as vessels and sensors are: letters of any language, but nothing that breaks a topic."""


@dataclass(frozen=True, slots=True)
class Cellar:
    """What the rules look things up in.

    ``profiles`` and ``sensors`` are the known names (None: not asked). ``float_says`` is the lot's gravity by its float
    at the entry's instant (None: it says nothing). ``measures`` says quantities in messages.
    """

    history: CellarHistory
    vessels: Mapping[str, Vessel]
    profile: Profile = field(default_factory=Profile)
    facts: Facts = NOTHING_KNOWN
    profiles: Collection[str] | None = None
    sensors: Collection[str] | None = None
    float_says: float | None = None
    measures: Measures = PLAIN


def refusals(entry: Entry, cellar: Cellar) -> list[Refusal]:
    """Return why an entry is refused, most basic reason first; empty if it may be written.

    For an entry that replaces another, fold the history without the replaced one first.
    """
    found = [*bad_values(entry, cellar.measures), *_unknown_words(entry, cellar)]
    if found:
        return found
    if entry.at_ms > entry.recorded_ms + FUTURE_ALLOWED_MS:
        when = cellar.measures.written(entry.at_ms)
        return [wrong(Reason.IN_THE_FUTURE, f"{when} is still to come: give --at the time it was done")]
    if entry.lot == WHOLE_CELLAR:
        return []
    if isinstance(entry.what, Start):
        return _start_refusals(entry, entry.what, cellar)
    if isinstance(entry.what, Transfer):
        before = cellar.history.lots.get(entry.lot)
        said = [] if before is None else repeats(entry, before.entries, cellar.measures)
        return [*said, *transfer_refusals(entry, entry.what, cellar.history, cellar.vessels, cellar.measures)]
    lot = cellar.history.lots[entry.lot]
    found = [*_out_of_time(entry, lot, cellar.measures)]
    if not found and isinstance(entry.what, Racking):
        found = [*_racking_refusals(entry, entry.what, lot, cellar)]
    if not found and isinstance(entry.what, Bottling):
        found = [*_bottle_volume(entry, entry.what, lot, cellar.measures)]
    if not found and isinstance(entry.what, Addition):
        found = [*_addition_volume(entry, entry.what, lot, cellar)]
    if found:
        return found
    vessel = cellar.vessels.get(lot.vessel_at(entry.at_ms) or "")
    return [
        *repeats(entry, lot.entries, cellar.measures),
        *doubts_of_gravity(entry, lot, cellar.float_says, cellar.measures),
        *too_much(entry, lot, cellar.profile, vessel, cellar.measures),
        *malolactic_gates(entry, [e for e in lot.entries if e.id != entry.id]),
        *gates(entry, Case(lot, cellar.profile, cellar.facts, entry.at_ms, cellar.measures)),
    ]


def _is_left(vessel: str, entry: Entry, cellar: Cellar) -> bool:
    """Say whether the wine is racked out of a vessel that it is in, whatever the configuration calls that now."""
    lot = cellar.history.lots.get(entry.lot)
    is_in_it = lot is not None and lot.vessel_at(entry.at_ms) == vessel
    return is_in_it and isinstance(entry.what, Racking) and entry.what.to_vessel != vessel


def _unknown_words(entry: Entry, cellar: Cellar) -> Iterator[Refusal]:
    what = entry.what
    name = entry.lot
    if name == WHOLE_CELLAR and isinstance(what, OwnReminder | Attended):
        return
    begun = (
        named(what.pours)[0] if isinstance(what, Transfer) else {name} if isinstance(what, Start) else set()
    )
    bad = [n for n in {name, *begun} if not NAME.fullmatch(n) or n != n.strip() or not n.isprintable()]
    for one in bad:
        line = (
            f"lot name {one!r}: expected 1 to 64 printable characters other than / # +, no blanks around them"
        )
        yield wrong(Reason.BAD_VALUE, line)
    if not bad and name not in begun and name not in cellar.history.lots:
        line = unknown_lot(name, cellar.history.lots)
        yield wrong(Reason.UNKNOWN_LOT, line, about=name)
    for vessel in _vessels_named(entry):
        if vessel not in cellar.vessels and not _is_left(vessel, entry, cellar):
            line = (
                f"vessel {vessel!r} is not in the configuration: {meant(vessel, cellar.vessels)}; a new one is "
                "added as a [[vessel]] with its name, kind and litres"
            )
            yield wrong(Reason.UNKNOWN_VESSEL, line, about=vessel)
    for sensor in _sensors_named(entry):
        if cellar.sensors is not None and sensor not in cellar.sensors:
            line = (
                f"{unknown_sensor(sensor, cellar.sensors)}; a new one is added as a [[sensor]] with its id, kind and "
                "topic"
            )
            yield wrong(Reason.UNKNOWN_SENSOR, line, about=sensor)
    if isinstance(what, Start) and cellar.profiles is not None and what.profile not in cellar.profiles:
        line = f"profile {what.profile!r} is unknown: expected one of {', '.join(sorted(cellar.profiles))}"
        yield wrong(Reason.UNKNOWN_PROFILE, line)


def _vessels_named(entry: Entry) -> Iterator[str]:
    what = entry.what
    if isinstance(what, Start):
        yield what.vessel
    if isinstance(what, Racking):
        yield what.to_vessel
        if what.from_vessel is not None:
            yield what.from_vessel
    if isinstance(what, Move) and what.to_vessel is not None:
        yield what.to_vessel
    if isinstance(what, Transfer):
        yield from named(what.pours)[1]


def _sensors_named(entry: Entry) -> Iterator[str]:
    if isinstance(entry.what, Move | Reanchor):
        yield entry.what.sensor
    if isinstance(entry.what, Start | Racking):
        yield from entry.what.floats
    if isinstance(entry.what, Transfer):
        yield from (sensor for pour in entry.what.pours for sensor in pour.floats)


def _start_refusals(entry: Entry, start: Start, cellar: Cellar) -> list[Refusal]:
    used = cellar.history.lots.get(entry.lot)
    if used is not None:
        since_when = cellar.measures.written(used.started_ms)
        line = (
            f"lot {entry.lot!r} has been in the book since {since_when}: choose another name, such as "
            f"{entry.lot + '-2'!r}"
        )
        return [wrong(Reason.NAME_USED, line)]
    vessel = cellar.vessels[start.vessel]
    found = [*_occupied(entry, start.vessel, END_MS, cellar), *_named_alike(entry, cellar)]
    if start.litres is not None and start.litres > vessel.litres:
        found.append(
            _too_small(
                vessel, start.litres, "use a larger vessel, or give the volume that is in it", cellar.measures
            )
        )
    return found


def _named_alike(entry: Entry, cellar: Cellar) -> Iterator[Refusal]:
    """Yield a doubt of each lot not yet bottled whose name is the same but for case and blanks."""
    for other in cellar.history.lots.values():
        if entry.replaces is None and other.ended_ms is None and same_name(entry.lot, other.lot):
            line = (
                f"lot {other.lot!r} has been in the book since {cellar.measures.written(other.started_ms)}: did you "
                f'mean that one? Another wine is better told apart by another name, or taken with --despite "reason"'
            )
            yield Refusal(RefusalKind.DOUBTFUL, Reason.NAME_ALIKE, line, other.lot)


def _too_small(vessel: Vessel, litres: float, advice: str, measures: Measures) -> Refusal:
    holds, too_much = measures.volume(vessel.litres), measures.volume(litres)
    line = f"{vessel.name} holds {holds}, too small for {too_much}: {advice}"
    return wrong(Reason.TOO_SMALL, line)


def _occupied(entry: Entry, vessel: str, until_ms: int, cellar: Cellar) -> Iterator[Refusal]:
    """Yield a refusal for each other lot in a vessel at any time from the entry until ``until_ms``."""
    for other in cellar.history.lots.values():
        for stay in other.stays:
            if stay.vessel != vessel or stay.lot == entry.lot:
                continue
            if stay.from_ms < until_ms and entry.at_ms < stay.until_ms:
                from_when = cellar.measures.written(stay.from_ms)
                end = "" if stay.until_ms == END_MS else f" until {cellar.measures.written(stay.until_ms)}"
                line = (
                    f"{vessel} holds lot {stay.lot!r} from {from_when}{end}: rack or bottle that first, or "
                    "choose another vessel"
                )
                yield wrong(Reason.OCCUPIED, line)


def _out_of_time(entry: Entry, lot: LotHistory, measures: Measures) -> Iterator[Refusal]:
    when = measures.written(entry.at_ms)
    if entry.at_ms < lot.born_ms:
        line = (
            f"{when} is before lot {entry.lot!r} began ({measures.written(lot.born_ms)}): give a "
            "later --at, or correct the start"
        )
        yield wrong(Reason.BEFORE_THE_START, line)
        return
    ended_ms = lot.ended_ms
    # A second size of bottles, a check of a bottle, a tasting and a note still make sense after bottling.
    needs_wine = isinstance(entry.what, Racking | Addition | StageChange | Reanchor | Malolactic)
    if ended_ms is not None and entry.at_ms >= ended_ms and needs_wine:
        line = (
            f"lot {entry.lot!r} was {lot.ended_as} {measures.written(ended_ms)}: nothing is left in a vessel "
            "(`record undo` undoes the last entry)"
        )
        yield wrong(Reason.AFTER_BOTTLING, line)
    if isinstance(entry.what, Bottling) and ended_ms is None:
        later = [e for e in lot.entries if e.at_ms > entry.at_ms and isinstance(e.what, Racking | Addition)]
        if later:
            line = (
                f"lot {entry.lot!r} was still worked on {measures.written(later[-1].at_ms)} "
                f"({later[-1].kind}): bottling {when} would be before that; give a later --at"
            )
            yield wrong(Reason.AFTER_BOTTLING, line)


def _racking_refusals(entry: Entry, rack: Racking, lot: LotHistory, cellar: Cellar) -> Iterator[Refusal]:
    sits_in = lot.vessel_at(entry.at_ms)
    if rack.from_vessel in lot.parts_at(entry.at_ms):
        sits_in = rack.from_vessel
    when = cellar.measures.written(entry.at_ms)
    if rack.from_vessel is not None and rack.from_vessel != sits_in:
        holder = cellar.history.lot_in(rack.from_vessel, entry.at_ms)
        state = "is empty" if holder is None else f"holds lot {holder.lot!r}"
        line = f"{rack.from_vessel} {state} at {when}: lot {entry.lot!r} sits in {sits_in}; rack from there"
        yield wrong(Reason.EMPTY_VESSEL, line)
        return
    if sits_in == rack.to_vessel and rack.from_vessel is None and len(lot.parts_at(entry.at_ms)) == 1:
        line = (
            f"lot {entry.lot!r} is already in {rack.to_vessel} at {when}: name the vessel it goes to, or, if it went "
            f"back into the same one, --from {rack.to_vessel!r} too"
        )
        yield wrong(Reason.SAME_VESSEL, line)
        return
    next_move = [s.from_ms for s in lot.stays if s.from_ms > entry.at_ms]
    ends_ms = min([*next_move, lot.ended_ms if lot.ended_ms is not None else END_MS])
    yield from _occupied(entry, rack.to_vessel, ends_ms, cellar)
    vessel = cellar.vessels[rack.to_vessel]
    litres, holds = rack.litres, vessel.litres
    parts = lot.parts_at(entry.at_ms)
    goes = [n for v, n in parts.items() if rack.from_vessel not in parts or v == rack.from_vessel]
    if litres is None and goes and None not in goes:
        known = sum(n or 0.0 for n in goes)
        litres, holds = max(0.0, known - (rack.lees_litres or 0.0)), vessel.litres * VOLUME_SLACK
    if litres is not None and litres > holds:
        yield _too_small(
            vessel,
            litres,
            "choose a larger one, or give the volume that went over with --litres",
            cellar.measures,
        )


def _bottle_volume(
    entry: Entry, bottling: Bottling, lot: LotHistory, measures: Measures
) -> Iterator[Refusal]:
    earlier = [e.what for e in lot.entries if isinstance(e.what, Bottling) and e.lot == lot.lot]
    # The lot's volume has been made less by what was bottled in part; after a whole one it is as it was then.
    all_of_it = sum(
        bottled_litres(what) for what in (*earlier, bottling) if not what.in_part or what is bottling
    )
    litres = lot.litres_at(entry.at_ms) if lot.ended_ms is None else lot.litres
    parts = lot.parts_at(entry.at_ms)
    if bottling.from_vessel is not None and bottling.from_vessel not in parts and lot.ended_ms is None:
        line = f"lot {lot.lot!r} is not in {bottling.from_vessel}: it stands in {', '.join(parts)}"
        yield wrong(Reason.EMPTY_VESSEL, line)
        return
    if bottling.in_part and bottling.from_vessel is not None:
        litres = parts.get(bottling.from_vessel)
    if litres is not None and all_of_it > litres * VOLUME_SLACK:
        line = (
            f"{measures.volume(all_of_it)} of bottles are more than the {measures.volume(litres)} the lot "
            "has: check the count and the size (--bottle-ml)"
        )
        yield wrong(Reason.TOO_MANY_BOTTLES, line)
    elif litres is not None and not bottling.in_part and lot.ended_ms is None:
        rest = litres - all_of_it
        if rest > LEFT_SHARE * litres + MEASURED_LITRES + bottling.bottle_ml / 1000.0:
            line = (
                f"{measures.volume(rest)} of {measures.volume(litres)} are not in these bottles: say "
                '--in-part if the rest is still to be bottled, or take it for lees and loss with --despite "reason"'
            )
            yield Refusal(RefusalKind.DOUBTFUL, Reason.UNACCOUNTED, line)


def _addition_volume(entry: Entry, addition: Addition, lot: LotHistory, cellar: Cellar) -> Iterator[Refusal]:
    vessel = cellar.vessels.get(lot.vessel_at(entry.at_ms) or "")
    before = lot.litres_at(entry.at_ms)
    if addition.litres is None or vessel is None or before is None:
        return
    if before + addition.litres > vessel.litres:
        yield _too_small(
            vessel, before + addition.litres, "add less, or rack into a larger one first", cellar.measures
        )
