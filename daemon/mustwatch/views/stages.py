"""The stages a lot went through and the band of each: the same for pages, pictures, commands and the printed record."""

from collections.abc import Iterable, Sequence
from itertools import pairwise
from typing import NamedTuple

from mustwatch.alerting.alert import Alert
from mustwatch.cellar.history import LotHistory
from mustwatch.cellar.profile import Band, Profile, Stage
from mustwatch.cellar.steps import stages_through
from mustwatch.store.store import Store


class Span(NamedTuple):
    """A stage from one instant until another, milliseconds since the epoch, with the band that held in it."""

    stage: Stage
    band: Band
    from_ms: int
    until_ms: int


def stages_told(lot: LotHistory, profile: Profile, alerts: Iterable[Alert]) -> list[tuple[int, Stage]]:
    """Return the stages a lot went through, each with the instant it began, by its book and what was found of it."""
    held = [(a.kind.name, a.opened_ms, a.cleared_ms) for a in alerts if not a.is_withdrawn]
    return stages_through(lot, profile, held)


def spans_of(store: Store, lot: LotHistory, profile: Profile, now_ms: int) -> list[Span]:
    """Return the stages a lot went through, with their bands, up to an instant (or to the lot's end)."""
    stages = stages_told(lot, profile, store.alerts.of_lot(lot.lot))
    until_ms = max(now_ms if lot.ended_ms is None else lot.ended_ms, stages[-1][0])
    ends = [*stages, (until_ms, Stage.BOTTLED)]
    return [Span(stage, profile.band_in(stage), begin, end) for (begin, stage), (end, _) in pairwise(ends)]


def band_at(spans: Sequence[Span], at_ms: int) -> Band:
    """Return the band that held at an instant; before the first, the first."""
    return next((span.band for span in reversed(spans) if span.from_ms <= at_ms), spans[0].band)
