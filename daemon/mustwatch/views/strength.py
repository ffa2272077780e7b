"""A lot's alcohol from the store: the newest estimate that tells, by the one rule of ``cellar.strength``."""

from mustwatch.cellar.history import END_MS, LotHistory
from mustwatch.cellar.strength import Strength, mixing_since, strength_of
from mustwatch.store.store import Store


def is_watched(store: Store, lot: LotHistory) -> bool:
    """Return whether sensors ever spoke of a lot: an estimate from checks alone would only repeat the checks."""
    newest_ms = store.readings.newest_ms()
    return newest_ms is not None and newest_ms >= lot.started_ms


def strength_now(store: Store, lot: LotHistory) -> Strength | None:
    """Return a lot's alcohol, as of its newest gravity (the last before its bottling)."""
    return strength_of(lot, _newest_estimates(store, lot) if is_watched(store, lot) else [])


def _newest_estimates(store: Store, lot: LotHistory) -> list[tuple[int, float]]:
    """Return the newest estimate that is not led by what was just added, or nothing."""
    newest = store.watching.newest_gravity(lot.lot, END_MS if lot.ended_ms is None else lot.ended_ms)
    while newest is not None and (mixing_ms := mixing_since(lot, newest[0])) is not None:
        newest = store.watching.newest_gravity(lot.lot, mixing_ms - 1)
    return [] if newest is None else [newest]
