"""Wine is neither made nor lost by moving it: litres, ethanol, sugar and sulfite add up over any sequence of transfers,
and what the book tells does not depend on the order in which it was typed.

The truth beside it is kept by this file alone: every lot as litres, ethanol, sugar and SO2, poured by hand.
"""

import random
from dataclasses import dataclass, field, replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mustwatch.cellar.book import (
    Addition,
    Bottling,
    Entry,
    Fate,
    Measurement,
    Pour,
    Start,
    Transfer,
    TransferName,
    What,
)
from mustwatch.cellar.consistency import broken_by
from mustwatch.cellar.entry_json import entry_from_json, entry_to_json
from mustwatch.cellar.history import CellarHistory, fold
from mustwatch.cellar.so2 import ledger
from mustwatch.cellar.strength import strength_of
from mustwatch.must.alcohol import alcohol

DAY = 86_400_000
SO2_PER_G = 576.0
"""mg of SO2 in a gram of potassium metabisulfite: 2 x 64.06 / 222.32, by molar masses."""
SUGAR_PER_GRAVITY = 2160.0
"""g/L of sugar left for a gravity of 1 above dry (0.998), as the product has it from OIML R22."""


@dataclass
class Wine:
    """What a lot is in truth."""

    litres: float
    ethanol: float
    sugar: float
    so2: float
    vessels: dict[str, float]

    def take(self, litres: float, vessel: str) -> "Wine":
        share = litres / self.litres if self.litres else 0.0
        taken = Wine(litres, self.ethanol * share, self.sugar * share, self.so2 * share, {})
        self.litres -= litres
        self.ethanol -= taken.ethanol
        self.sugar -= taken.sugar
        self.so2 -= taken.so2
        self.vessels[vessel] -= litres
        if self.vessels[vessel] <= 0.02:
            del self.vessels[vessel]
        return taken

    def join(self, other: "Wine", vessel: str) -> None:
        self.litres += other.litres
        self.ethanol += other.ethanol
        self.sugar += other.sugar
        self.so2 += other.so2
        self.vessels[vessel] = self.vessels.get(vessel, 0.0) + other.litres


@dataclass
class Season:
    """A cellar played through: its truth and its book."""

    entries: list[Entry] = field(default_factory=list)
    lots: dict[str, Wine] = field(default_factory=dict)
    gone: Wine = field(default_factory=lambda: Wine(0, 0, 0, 0, {}))
    vessels: int = 0
    now: int = 0

    def __repr__(self) -> str:
        return "\n".join(f"{e.lot}: {e.what}" for e in self.entries)

    def write(self, lot: str, what: What) -> None:
        self.now += DAY
        self.entries.append(Entry(f"e{len(self.entries):03}", lot, self.now, self.now, what))

    def vessel(self) -> str:
        self.vessels += 1
        return f"vessel-{self.vessels}"

    def begin(self, lot: str, litres: float, gravity: float, end: float, sulfite_g: float) -> None:
        vessel = self.vessel()
        self.write(lot, Start(vessel, gravity=gravity, litres=litres))
        self.write(lot, Addition("potassium metabisulfite", sulfite_g, "g", purpose="sulfite"))
        self.write(lot, Measurement(gravity=end))
        abv = alcohol(gravity, end).abv_percent
        sugar = max(0.0, end - 0.998) * SUGAR_PER_GRAVITY * litres
        self.lots[lot] = Wine(litres, litres * abv, sugar, sulfite_g * SO2_PER_G, {vessel: litres})

    def away(self, lot: str, vessel: str, litres: float) -> None:
        self.gone.join(self.lots[lot].take(litres, vessel), "away")

    def pour(self, lot: str, vessel: str, litres: float, into: str, to_vessel: str) -> None:
        taken = self.lots[lot].take(litres, vessel)
        self.lots.setdefault(into, Wine(0, 0, 0, 0, {})).join(taken, to_vessel)


MUSTS = st.tuples(
    st.floats(5, 200), st.sampled_from([1.080, 1.095, 1.110]), st.sampled_from([0.992, 0.996, 1.004, 1.02]),
    st.floats(0.0, 5.0),
)  # fmt: skip


@st.composite
def seasons(draw: st.DrawFn) -> Season:
    season = Season()
    for i, must in enumerate(draw(st.lists(MUSTS, min_size=2, max_size=3))):
        season.begin(f"lot-{i}", *must)
    for i in range(draw(st.integers(1, 7))):
        standing = sorted(lot for lot, wine in season.lots.items() if wine.vessels)
        if not standing:
            break
        lot = draw(st.sampled_from(standing))
        vessel = draw(st.sampled_from(sorted(season.lots[lot].vessels)))
        share = draw(st.floats(0.1, 1.0))
        litres = season.lots[lot].vessels[vessel] * share
        said = None if share == 1.0 else litres
        act = draw(st.sampled_from(["split", "split-off", "blend", "top-up", "lose", "bottle"]))
        if act == "split":
            to = season.vessel()
            season.write(lot, Transfer(TransferName.SPLIT, (Pour(lot, vessel, said, to),)))
            season.pour(lot, vessel, litres, lot, to)
        elif act == "split-off":
            to, name = season.vessel(), f"part-{i}"
            season.write(lot, Transfer(TransferName.SPLIT, (Pour(lot, vessel, said, to, name),)))
            season.pour(lot, vessel, litres, name, to)
        elif act in ("blend", "top-up") and len(standing) > 1:
            other = draw(st.sampled_from([s for s in standing if s != lot]))
            other_vessel = draw(st.sampled_from(sorted(season.lots[other].vessels)))
            if act == "top-up":
                one = Pour(lot, vessel, said, other_vessel, other)
                season.write(other, Transfer(TransferName.TOP_UP, (one,)))
                season.pour(lot, vessel, litres, other, other_vessel)
            else:
                to, name = season.vessel(), f"blend-{i}"
                both = (Pour(lot, vessel, said, to, name), Pour(other, other_vessel, None, to, name))
                season.write(name, Transfer(TransferName.BLEND, both))
                season.pour(lot, vessel, litres, name, to)
                season.pour(other, other_vessel, season.lots[other].vessels[other_vessel], name, to)
        elif act == "lose":
            one = Pour(lot, vessel, said, fate=draw(st.sampled_from([Fate.SPILLED, Fate.LEES, Fate.TASTED])))
            season.write(lot, Transfer(TransferName.LOSE, (one,)))
            season.away(lot, vessel, litres)
        else:
            season.write(lot, Bottling(1, litres * 1000.0, in_part=True, from_vessel=vessel))
            season.away(lot, vessel, litres)
    return season


def told(history: CellarHistory, lot: str) -> tuple[float, float, float, float]:
    """Return a lot's litres, ethanol, sugar and SO2 as the book has them."""
    of = history.lots[lot]
    litres, strength = of.litres or 0.0, strength_of(of, ())
    gravity = [g for _, g in of.gravities()][-1]
    so2 = ledger(of.entries, None)[-1].total
    assert strength is not None
    return litres, strength.abv_percent * litres, (gravity - 0.998) * SUGAR_PER_GRAVITY * litres, so2 * litres


@given(seasons())
@settings(max_examples=80, deadline=None)
def test_every_litre_and_what_is_in_it_is_where_it_was_poured(season: Season) -> None:
    history = fold(season.entries)

    for lot, wine in season.lots.items():
        litres, ethanol, _, so2 = told(history, lot)
        assert dict(history.lots[lot].parts) == pytest.approx(wine.vessels, rel=1e-6, abs=0.05)
        assert litres == pytest.approx(wine.litres, rel=1e-6, abs=0.05)
        if wine.vessels:
            assert ethanol == pytest.approx(wine.ethanol, rel=1e-4, abs=1.0)
            assert so2 == pytest.approx(wine.so2, rel=1e-3, abs=1.0)


@given(seasons())
@settings(max_examples=50, deadline=None)
def test_sugar_left_is_mixed_by_volume(season: Season) -> None:
    """Of lots above dry: a dry one's gravity has no sugar to tell of."""
    history = fold(season.entries)
    starts = [e.what.gravity for e in season.entries if isinstance(e.what, Measurement)]
    if min(g for g in starts if g is not None) < 0.998:
        return

    for lot, wine in season.lots.items():
        if wine.vessels:
            assert told(history, lot)[2] == pytest.approx(wine.sugar, rel=1e-4, abs=1.0)


@given(seasons(), st.randoms(use_true_random=False))
@settings(max_examples=40, deadline=None)
def test_what_is_told_is_a_function_of_the_set_of_entries(season: Season, dice: random.Random) -> None:
    typed = [replace(e, recorded_ms=dice.randrange(10**12)) for e in season.entries]
    read = [entry_from_json(entry_to_json(e)) for e in typed]
    dice.shuffle(read)

    as_typed, in_order = fold(read), fold(season.entries)

    assert as_typed.lots.keys() == in_order.lots.keys()
    for lot, history in in_order.lots.items():
        assert as_typed.lots[lot].parts_through == history.parts_through
        assert as_typed.lots[lot].stages == history.stages
        assert told(as_typed, lot) == told(in_order, lot)


@given(seasons(), st.data())
@settings(max_examples=50, deadline=None)
def test_wine_adds_up_after_any_entry_is_undone_or_corrected(season: Season, data: st.DataObject) -> None:
    before = sum(w.litres for w in season.lots.values()) + season.gone.litres
    moving = [e for e in season.entries if isinstance(e.what, Transfer | Bottling)]
    if not moving:
        return
    one = data.draw(st.sampled_from(moving))
    undone = [replace(e, undone_ms=e.at_ms) if e.id == one.id else e for e in season.entries]
    if data.draw(st.booleans()):
        undone = [*season.entries, replace(one, id="again", replaces=one.id)]
    if broken_by(season.entries, undone):
        return

    history = fold(undone)

    left = sum(lot.litres or 0.0 for lot in history.lots.values())
    gone = sum(
        p.litres or 0.0
        for lot in history.lots.values()
        for e in lot.entries
        if e.lot == lot.lot or lot.lot in {p.lot for p in getattr(e.what, "pours", ())}
        for p in getattr(e.what, "pours", ())
        if p.lot == lot.lot and p.to_vessel is None
    )
    bottled = sum(
        e.what.bottles * e.what.bottle_ml / 1000
        for e in undone
        if isinstance(e.what, Bottling) and e.undone_ms is None and e.id not in {r.replaces for r in undone}
    )
    assert left + gone + bottled == pytest.approx(before, rel=0.06, abs=0.1)
