"""Which transfers are refused: of wine that is not there, into a vessel too small or with another wine in it, or with
wine left that nobody accounts for."""

from collections.abc import Iterable, Iterator, Mapping

from mustwatch.cellar.book import Entry, Fate, Measurement, Pour, Racking, Start, Transfer
from mustwatch.cellar.history import CellarHistory
from mustwatch.cellar.lines import is_stabilised
from mustwatch.cellar.measures import Measures
from mustwatch.cellar.naming import unknown_lot
from mustwatch.cellar.parts import VOLUME_SLACK, Parts, is_sweet, poured
from mustwatch.cellar.refusal import Reason, Refusal, RefusalKind, wrong
from mustwatch.cellar.told import Parted, WineAdded
from mustwatch.cellar.vessel import Vessel

LOSSES = (Fate.SPILLED, Fate.LEES, Fate.TASTED, Fate.EVAPORATED, Fate.POURED_AWAY, Fate.UNEXPLAINED)
"""How wine is lost."""
MEASURED_SHARE, MEASURED_LITRES = 0.02, 0.1
"""Volumes that miss the book's by no more are as good as it gets: a share of the volume, and litres. Common practice,
no source."""


def transfer_refusals(
    entry: Entry,
    transfer: Transfer,
    history: CellarHistory,
    vessels: Mapping[str, Vessel],
    measures: Measures,
) -> list[Refusal]:
    """Return why a transfer is refused, most basic reason first."""
    found = [*_impossible(entry, transfer, history, measures)]
    if found:
        return found
    parts = {lot: of.parts_at(entry.at_ms) for lot, of in history.lots.items()}
    return [
        *_occupied(entry, transfer, history, measures),
        *_short(transfer, parts),
        *_overfull(transfer, parts, vessels),
        *_unexplained(transfer, parts),
    ]


def _impossible(
    entry: Entry, transfer: Transfer, history: CellarHistory, measures: Measures
) -> Iterator[Refusal]:
    """Yield a refusal of each pour out of a vessel that the lot does not stand in then."""
    when = measures.written(entry.at_ms)
    for pour in transfer.pours:
        lot = history.lots.get(pour.lot)
        if lot is None:
            yield wrong(Reason.UNKNOWN_LOT, unknown_lot(pour.lot, history.lots), about=pour.lot)
            continue
        parts = lot.parts_at(entry.at_ms)
        if entry.at_ms < lot.born_ms:
            line = f"{when} is before lot {pour.lot!r} began ({measures.written(lot.born_ms)}): give a later --at"
            yield wrong(Reason.BEFORE_THE_START, line)
        elif lot.ended_ms is not None and entry.at_ms >= lot.ended_ms:
            line = (
                f"lot {pour.lot!r} was {lot.ended_as} {measures.written(lot.ended_ms)}: nothing is left of it"
            )
            yield wrong(Reason.AFTER_BOTTLING, line)
        elif pour.vessel not in parts:
            line = f"lot {pour.lot!r} is not in {pour.vessel} at {when}: it stands in {', '.join(parts)}"
            yield wrong(Reason.EMPTY_VESSEL, line)
        into = history.lots.get(pour.becomes or "")
        if into is not None and into.ended_ms is not None and entry.at_ms >= into.ended_ms:
            line = f"lot {into.lot!r} was {into.ended_as} {measures.written(into.ended_ms)}: give the wine a new name"
            yield wrong(Reason.AFTER_BOTTLING, line)


def _occupied(
    entry: Entry, transfer: Transfer, history: CellarHistory, measures: Measures
) -> Iterator[Refusal]:
    """Yield a refusal of each vessel that holds another wine than what is poured in, unless that leaves it now."""
    left = {(pour.lot, pour.vessel) for pour in transfer.pours if pour.litres is None}
    for pour in transfer.pours:
        stay = history.lot_in(pour.to_vessel or "", entry.at_ms)
        if stay is None or stay.lot == pour.becomes or (stay.lot, stay.vessel) in left:
            continue
        line = (
            f"{stay.vessel} holds lot {stay.lot!r} from {measures.written(stay.from_ms)}: choose another vessel, or "
            f"blend the two: mustwatch record blend {stay.lot!r} --of {pour.lot!r}"
        )
        yield wrong(Reason.OCCUPIED, line, about=stay.vessel)


def _short(transfer: Transfer, parts: Mapping[str, Parts]) -> Iterator[Refusal]:
    for pour, there in poured(transfer, parts).short:
        line = (
            f"{pour.litres:g} L are more than the {there:.3g} L of {pour.lot!r} that {pour.vessel} holds: look at the "
            'volumes again, or take it with --despite "reason" (then only what is there counts)'
        )
        yield Refusal(RefusalKind.DOUBTFUL, Reason.MORE_THAN_THERE, line)


def _overfull(
    transfer: Transfer, parts: Mapping[str, Parts], vessels: Mapping[str, Vessel]
) -> Iterator[Refusal]:
    """Yield a doubt of each vessel that would hold more than it can, once for each."""
    done = poured(transfer, parts)
    for name in dict.fromkeys(pour.to_vessel for pour in done.pours if pour.to_vessel is not None):
        there = [of.get(name) or 0.0 for of in parts.values()]
        leaves = [pour.litres or 0.0 for pour in done.pours if pour.vessel == name]
        comes = [pour.litres or 0.0 for pour in done.pours if pour.to_vessel == name]
        litres, vessel = sum(there) - sum(leaves) + sum(comes), vessels.get(name)
        if vessel is not None and litres > vessel.litres * VOLUME_SLACK:
            line = (
                f"{name} holds {vessel.litres:g} L to the brim, and {litres:.3g} L would be in it: look at the volumes "
                'again, choose a larger one, or take it with --despite "reason"'
            )
            yield Refusal(RefusalKind.DOUBTFUL, Reason.TOO_SMALL, line, name)


def _unexplained(transfer: Transfer, parts: Mapping[str, Parts]) -> Iterator[Refusal]:
    """Yield the question where the rest went, if it is more than volumes are measured to."""
    for pour in poured(transfer, parts).pours:
        had = parts[pour.lot].get(pour.vessel)
        asked = next((p for p in transfer.pours if p.fate is Fate.UNEXPLAINED and p.litres is None), None)
        if asked is None or pour.fate is not Fate.UNEXPLAINED or had is None or pour.litres is None:
            continue
        if pour.litres > MEASURED_SHARE * had + MEASURED_LITRES:
            line = (
                f"{pour.litres:.3g} of the {had:.4g} L in {pour.vessel} are not accounted for: say --lees if they "
                f"stayed behind, --keep if they are still in {pour.vessel}, or take them for lost with "
                '--despite "reason"'
            )
            yield Refusal(RefusalKind.DOUBTFUL, Reason.UNACCOUNTED, line)


def named(pours: Iterable[Pour]) -> tuple[set[str], set[str]]:
    """Return the lots that pours begin or add to, and the vessels they go into."""
    return (
        {pour.becomes for pour in pours if pour.becomes is not None},
        {pour.to_vessel for pour in pours if pour.to_vessel is not None},
    )


def can_ferment_again(entry: Entry, history: CellarHistory) -> Iterator[str]:
    """Yield a caution for each lot in which an entry brought sugar and living yeast together."""
    for lot in history.lots.values():
        for i, told in enumerate(lot.entries):
            what = told.what
            if told.id != entry.id or not isinstance(what, WineAdded):
                continue
            line = lot.entries[:i]
            with_gravity = (
                e.what for e in line if isinstance(e.what, Start | Measurement | Racking | Parted)
            )
            known = [what.gravity for what in with_gravity if what.gravity is not None]
            had_sugar = bool(known) and is_sweet(known[-1])
            wakes = what.purpose == "yeast" and (had_sugar or what.is_sweet)
            feeds = what.is_sweet and not had_sugar and not is_stabilised(line)
            if wakes or feeds:
                yield (
                    f"{lot.lot!r} can ferment again: sugar and living yeast have come together in it. Bottling and "
                    "sweetening wait until checks show that it has finished, or it is stabilised"
                )
