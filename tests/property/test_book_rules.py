"""Whatever is typed in whatever order, the book stays possible: one wine in a vessel, no deed before its start."""

from itertools import combinations

from hypothesis import given, settings
from hypothesis import strategies as st

from mustwatch.cellar.book import Addition, Bottling, Entry, Measurement, Note, Racking, Start, What
from mustwatch.cellar.consistency import broken_by
from mustwatch.cellar.history import fold
from mustwatch.cellar.instant import DAY_MS
from mustwatch.cellar.profile import Profile
from mustwatch.cellar.refusal import RefusalKind
from mustwatch.cellar.rules import Cellar, refusals
from mustwatch.cellar.steps import next_steps
from mustwatch.cellar.vessel import Vessel, VesselKind
from mustwatch.config.profiles import load_profile

VESSELS = {name: Vessel(name, VesselKind.CARBOY, 20.0) for name in ("a", "b", "c")}
PROFILE = load_profile("kit")
NAMES = st.sampled_from(sorted(VESSELS))
WHATS: st.SearchStrategy[What] = st.one_of(
    st.builds(Start, vessel=NAMES, litres=st.none() | st.floats(1, 25)),
    st.builds(
        Racking, to_vessel=NAMES, litres=st.none() | st.floats(1, 25), lees_litres=st.none() | st.floats(0, 2)
    ),
    st.builds(Measurement, gravity=st.floats(0.99, 1.1)),
    st.builds(Addition, what=st.sampled_from(["sugar", "water"]), litres=st.none() | st.floats(0, 5)),
    st.builds(Bottling, bottles=st.integers(1, 30)),
    st.builds(Note, text=st.just("x")),
)
TYPED = st.lists(st.tuples(st.sampled_from(["x", "y", "z"]), st.integers(0, 60), WHATS), max_size=25)


def written(typed: list[tuple[str, int, What]]) -> list[Entry]:
    """Return the entries that the rules let pass, gates overruled (they concern safety, not sense)."""
    book: list[Entry] = []
    for number, (lot, day, what) in enumerate(typed):
        entry = Entry(f"{number:03d}", lot, day * DAY_MS, 100 * DAY_MS + number, what)
        found = refusals(entry, Cellar(fold(book), VESSELS, PROFILE))
        if all(refusal.kind is not RefusalKind.INPUT for refusal in found):
            book.append(entry)
    return book


@given(TYPED)
@settings(max_examples=150, deadline=None)
def test_no_two_wines_ever_share_a_vessel_and_nothing_is_done_before_its_lot_began(
    typed: list[tuple[str, int, What]],
) -> None:
    book = written(typed)

    history = fold(book)

    stays = [stay for lot in history.lots.values() for stay in lot.stays]
    for one, other in combinations(stays, 2):
        if one.vessel == other.vessel and one.lot != other.lot:
            assert one.until_ms <= other.from_ms or other.until_ms <= one.from_ms
    for entry in book:
        assert entry.at_ms >= history.lots[entry.lot].started_ms
    assert sum(len(lot.entries) for lot in history.lots.values()) == len(book)


@given(TYPED)
@settings(max_examples=100, deadline=None)
def test_what_the_rules_let_pass_one_by_one_fits_together_as_a_whole(
    typed: list[tuple[str, int, What]],
) -> None:
    assert broken_by([], written(typed)) == []


@given(TYPED, st.integers(0, 90))
@settings(max_examples=100, deadline=None)
def test_a_next_step_is_always_found_or_the_wine_is_in_bottles(
    typed: list[tuple[str, int, What]], day: int
) -> None:
    for profile in (PROFILE, Profile(steps=PROFILE.steps[:1])):
        for lot in fold(written(typed)).lots.values():
            steps = next_steps(lot, profile, day * DAY_MS)

            assert len(steps) <= 2
            assert not (steps and lot.ended_ms is not None)
