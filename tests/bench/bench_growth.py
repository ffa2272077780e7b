"""Growth: what one reading costs in a cellar of 1 to 1,000 vessels, and in a store of a day to two years."""

import gc
import time
from pathlib import Path

import bench_cellar
from bench_row import Row
from bench_store import readings as plain_readings

from mustwatch.cellar.instant import DAY_MS, MINUTE_MS
from mustwatch.config.plan import CellarPlan
from mustwatch.replay.replay import Replay
from mustwatch.store.store import Store

TOLERATED = 1.2


def record(vessels: int, days: float) -> list[bytes]:
    """Return a record's lines, made beforehand so that their making is not measured."""
    import json

    from mustwatch.cellar.instant import iso

    until_ms = bench_cellar.T0_MS + round(days * DAY_MS)
    return [
        json.dumps({"tst": iso(at_ms), "topic": topic, "payload": payload.decode()}).encode()
        for at_ms, topic, payload in bench_cellar.payloads(
            vessels, bench_cellar.T0_MS, until_ms, 5 * MINUTE_MS
        )
    ]


def cost_us(folder: Path, name: str, vessels: int, lines: list[bytes], former_days: int = 0) -> float:
    """Return microseconds of processor time per reading, through decoding, evaluation and the store.

    What a replay of nothing takes in the same cellar is taken off: setting up is no reading's cost.
    """
    path = folder / f"{name}.db"
    store = Store(path, bench_cellar.T0_MS)
    if former_days:
        count = former_days * 12 * 288
        for begin in range(0, count, 50_000):
            shifted = [
                r._replace(
                    sensor=f"old-{r.sensor}",
                    observed_ms=_earlier(i, former_days),
                    received_ms=_earlier(i, former_days),
                )
                for i, r in enumerate(plain_readings(min(50_000, count - begin)), begin)
            ]
            store.readings.add(shifted)
    plan = bench_cellar.plan(vessels, path)
    bench_cellar.start_lots(store, plan, vessels, bench_cellar.T0_MS)
    start_s = min(_replayed_s(store, plan, []) for _ in range(2))
    took_s = _replayed_s(store, plan, lines)
    store.close()
    path.unlink()
    return (took_s - start_s) / len(lines) * 1e6


def _replayed_s(store: Store, plan: CellarPlan, lines: list[bytes]) -> float:
    replay = Replay(store, plan)
    gc.collect()
    begun = time.process_time()
    replay.run(lines, bench_cellar.T0_MS)
    took_s = time.process_time() - begun
    assert replay.result.readings == len(lines)
    return took_s


def _earlier(number: int, days: int) -> int:
    return bench_cellar.T0_MS - days * DAY_MS + number * (DAY_MS // (12 * 288))


def rows(folder: Path, *, quick: bool) -> list[Row]:
    """Measure; each cost is the best of some tries."""
    made = []
    for vessels in (10, 100) if quick else (10, 100, 1000):
        days = 2 if vessels > 10 else 10  # a small cellar needs longer to be measured at all
        of_one, of_many = record(1, days), record(vessels, days)
        ones, many = [], []
        for i in range(2 if vessels == 1000 else 4):  # in turns, on a machine that does other work
            ones += [cost_us(folder, f"one-{i}-{k}", 1, of_one) for k in range(20 // days)]
            many.append(cost_us(folder, f"v{vessels}-{i}", vessels, of_many))
        ratio = min(many) / min(ones)
        made.append(
            Row(
                f"a reading's cost in a cellar of {vessels}",
                "the same in a cellar of 1",
                min(many),
                min(ones),
                "µs CPU",
                ratio,
                f"<= {TOLERATED:g} x",
                ratio <= TOLERATED,
                f"{days} days at 5 minutes, setting up apart",
            )
        )
    lines = record(10, 2)
    short = min(cost_us(folder, f"h1-{i}", 10, lines, 1) for i in range(3))
    days = 90 if quick else 730
    long = min(cost_us(folder, f"h{days}-{i}", 10, lines, days) for i in range(2))
    made.append(
        Row(
            f"a reading's cost on top of {days} days of history",
            "the same on top of a day",
            long,
            short,
            "µs CPU",
            long / short,
            f"<= {TOLERATED:g} x",
            long / short <= TOLERATED,
            "history of 12 other sensors at 5 minutes",
        )
    )
    return made
