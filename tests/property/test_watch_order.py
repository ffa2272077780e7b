"""What a lot's watch concludes is a function of the set of observations and entries, and of nothing else."""

import math
from collections.abc import Sequence
from random import Random

from hypothesis import given, settings
from hypothesis import strategies as st

from mustwatch.cellar.book import Entry, Measurement, Racking, Start
from mustwatch.cellar.profile import Profile
from mustwatch.watch.lot_watch import LotWatch, WatchStep
from mustwatch.watch.observation import Observation
from mustwatch.watch.slots import SLOT_MS

BEGIN_MS = 1_790_000_100_000 // SLOT_MS * SLOT_MS
DAY_MS = 86_400_000
PROFILE = Profile()

Event = Observation | Entry


def events(seed: int, days: float, interval_min: float) -> list[Event]:
    """Return a made-up ferment of an irregular float and a probe, with a check and a racking, in time order."""
    random = Random(seed)
    found: list[Event] = [Entry("start", "lot", BEGIN_MS, BEGIN_MS, Start("bucket", gravity=1.080))]
    at_ms = BEGIN_MS + 1000
    while at_ms < BEGIN_MS + days * DAY_MS:
        day = (at_ms - BEGIN_MS) / DAY_MS
        gravity = 0.994 + 0.086 / (1.0 + math.exp((day - 2.0) * 1.8)) + random.gauss(0, 0.0015)
        celsius = 20.0 + 2.0 * math.sin(2 * math.pi * day) + random.gauss(0, 0.05)
        if random.random() < 0.02:
            gravity += 0.02
        found.append(Observation(at_ms, "float", "bucket", round(gravity, 4), None, round(celsius, 2)))
        if random.random() < 0.5:
            found.append(Observation(at_ms + 1, "probe", "bucket", None, None, round(celsius, 1)))
        if random.random() < 0.01:
            at_ms += random.randrange(0, 20) * 3_600_000
        at_ms += round(interval_min * 60_000 * random.uniform(0.3, 1.7)) + 2
    for day, what in ((0.4 * days, Measurement(1.040)), (0.7 * days, Racking("carboy", gravity=1.005))):
        when = BEGIN_MS + round(day * DAY_MS)
        found.append(Entry(f"at-{day}", "lot", when, when, what))
    return sorted(found, key=lambda e: e.at_ms)


def feed(watch: LotWatch, event: Event) -> list[WatchStep]:
    """Hand one event in."""
    return list(watch.observe(event) if isinstance(event, Observation) else watch.enter(event))


def book_of(found: Sequence[Event]) -> list[Entry]:
    """Return the entries among events."""
    return [event for event in found if isinstance(event, Entry)]


def whole(found: Sequence[Event]) -> list[WatchStep]:
    """Return what the watch says of all events in a row, its last slot closed."""
    watch = LotWatch("lot", "bucket", PROFILE, BEGIN_MS)
    steps = [step for event in found for step in feed(watch, event)]
    return steps + list(watch.advance(2**62))


@given(st.integers(0, 10**6), st.floats(3.0, 40.0), st.randoms(use_true_random=False))
@settings(max_examples=15, deadline=None)
def test_a_watch_split_in_two_by_a_snapshot_equals_the_whole(
    seed: int, interval: float, random: Random
) -> None:
    found = events(seed, 4.0, interval)
    cuts = {random.randrange(len(found)) for _ in range(5)}
    watch = LotWatch("lot", "bucket", PROFILE, BEGIN_MS)
    steps: list[WatchStep] = []
    for i, event in enumerate(found):
        steps += feed(watch, event)
        if i in cuts:
            watch = LotWatch.restore(watch.snapshot(), PROFILE, book=book_of(found))
            for unread in found[: i + 1]:
                if unread.at_ms >= watch.horizon_ms:
                    steps += feed(watch, unread)
    steps += watch.advance(2**62)

    assert steps == whole(found)


@given(st.integers(0, 10**6), st.floats(0.5, 10.0), st.randoms(use_true_random=False))
@settings(max_examples=15, deadline=None)
def test_any_order_within_the_slots_gives_the_same(seed: int, interval: float, random: Random) -> None:
    found = events(seed, 2.0, interval)
    shuffled = list(found)
    random.shuffle(shuffled)
    shuffled.sort(key=lambda e: e.at_ms // SLOT_MS)

    assert whole(shuffled) == whole(found)


@given(st.integers(0, 10**6), st.randoms(use_true_random=False))
@settings(max_examples=15, deadline=None)
def test_ticks_of_the_clock_anywhere_change_nothing(seed: int, random: Random) -> None:
    found = events(seed, 4.0, 12.0)
    watch = LotWatch("lot", "bucket", PROFILE, BEGIN_MS)
    steps: list[WatchStep] = []
    for event in found:
        steps += watch.advance(event.at_ms - random.randrange(0, 2 * SLOT_MS))
        steps += feed(watch, event)
        steps += watch.advance(event.at_ms)
        assert watch.advance(event.at_ms) == ()
    steps += watch.advance(2**62)

    assert steps == whole(found)


@given(st.integers(0, 10**6), st.randoms(use_true_random=False))
@settings(max_examples=10, deadline=None)
def test_the_open_slot_handed_in_twice_counts_once(seed: int, random: Random) -> None:
    found = events(seed, 3.0, 6.0)
    cut = random.randrange(1, len(found))
    watch = LotWatch("lot", "bucket", PROFILE, BEGIN_MS)
    steps = [step for event in found[:cut] for step in feed(watch, event)]
    again = [event for event in found if event.at_ms >= watch.horizon_ms]
    steps += [step for event in again for step in feed(watch, event)]
    steps += watch.advance(2**62)

    assert steps == whole(found)
