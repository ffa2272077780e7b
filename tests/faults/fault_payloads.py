"""Hostile payloads: by Hypothesis, by a coverage-guided fuzzer, by atheris where it is installed, and to the real daemon.

No decoder may raise, whatever comes; the daemon acknowledges every payload, quarantined or not, and its memory does
not grow.
"""

import importlib.util
import random
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from shed import Row, Shed

import mustwatch.ingest.decoders
from brokers import NativeBroker, Options
from coverage_fuzzer import CoverageFuzzer
from daemons import wait_until
from decoder_samples import HOSTILE, NOW_MS, SAMPLES, TOPIC
from mustwatch.ingest.decoders import decoder_for

WORDS = (
    b'"n":"gravity"', b'"u":"/"', b'"v":', b'"bt":', b'"vs":', b"1e999", b"-1", b"[", b"]", b"{", b"}", b",", b"null",
    b"true", b'"\\ud800"', b"NaN", b"\xff", b"2026-09-01T00:00:00Z", b"99999999999999999999", b'"temperature"', b'"Cel"',
)  # fmt: skip
GROWTH_MOST_KIB = 8 * 1024
"""The daemon's memory between the first and the last thousands of payloads."""

json_like = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=12),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=6), inner, max_size=4),
    max_leaves=12,
)


def decode_all(payload: bytes) -> None:
    """Give a payload to every decoder; what they raise ends the run."""
    for decode in DECODERS:
        decode(payload, TOPIC, NOW_MS, True)


DECODERS = [decoder_for(sample.sensor) for sample in SAMPLES.values()]


def run(count: int, folder: Path) -> Row:
    """Try so many payloads: half by Hypothesis, half by the fuzzer; and a tenth of them once more on the daemon."""
    row = Row("hostile payloads by Hypothesis and by a coverage-guided fuzzer")
    row.told_twice = None
    fuzzers: list[tuple[str, Callable[[], object]]] = [
        ("Hypothesis", lambda: _hypothesis(count // 2)),
        ("coverage-guided", lambda: _coverage_guided(count - count // 2)),
    ]
    if importlib.util.find_spec("atheris") is not None:
        fuzzers.append(("atheris", lambda: _atheris(count // 2, folder / "seeds")))
    for name, tried in fuzzers:
        try:
            said = tried()
        except Exception as error:
            row.lost = (row.lost or 0) + 1
            row.notes.append(f"{name}: {type(error).__name__}: {error}")
        else:
            row.notes.append(f"{name}: no crash{said or ''}")
    row.tried = count
    _on_the_daemon(max(1000, count // 10), folder, row)
    return row


def _hypothesis(examples: int) -> None:
    import json

    payloads = st.one_of(
        st.binary(max_size=300), json_like.map(lambda d: json.dumps(d).encode("utf-8", "surrogatepass"))
    )

    @settings(
        max_examples=examples,
        deadline=None,
        database=None,
        suppress_health_check=list(HealthCheck),
        derandomize=True,
    )
    @given(payloads)
    def never_raises(payload: bytes) -> None:
        decode_all(payload)

    never_raises()


def _fuzzer() -> CoverageFuzzer:
    seeds = [sample.payload for sample in SAMPLES.values()] + [p for p in HOSTILE if len(p) < 10_000]
    watched = str(Path(mustwatch.ingest.decoders.__file__).parent)
    return CoverageFuzzer(decode_all, watched, seeds, WORDS, seed=20260906)


def _coverage_guided(examples: int) -> str:
    fuzzer = _fuzzer()
    fuzzer.run(examples)
    return f", {len(fuzzer.corpus)} inputs reached {len(fuzzer.steps)} steps"


def _atheris(runs: int, seeds: Path) -> None:
    """Run libFuzzer in a process of its own: it ends the process when it is done."""
    seeds.mkdir(parents=True)
    for number, sample in enumerate(SAMPLES.values()):
        (seeds / f"sample-{number}").write_bytes(sample.payload)
    program = str(Path(__file__).with_name("atheris_decoders.py"))
    subprocess.run(
        [sys.executable, program, f"-runs={runs}", "-max_len=2000", str(seeds)],
        check=True,
        capture_output=True,
        timeout=1800,
    )


def _on_the_daemon(count: int, folder: Path, row: Row) -> None:
    """Send hostile payloads to the real daemon among good ones; it reads the good ones and stays as large as it is."""
    broker = NativeBroker(folder / "broker", Options(extra="max_queued_messages 0"))
    broker.start()
    shed = Shed(folder / "shed", broker.port, lots=1, days=2.0)
    dice = random.Random(20260907)
    fuzzer = _fuzzer()
    fuzzer.run(500)
    topic = shed.messages[0].topic
    try:
        shed.daemon.start()
        sizes = []
        part = count // 4
        for _ in range(4):
            payloads = [fuzzer._changed(dice.choice(fuzzer.corpus)) for _ in range(part)]
            for at in range(0, part, 100):
                broker.publish(*[(topic, payload) for payload in payloads[at : at + 100]])
            time.sleep(1.0)
            sizes.append(_resident_kib(shed))
        broker.publish(*[(m.topic, m.payload) for m in shed.messages])
        published = shed.published()
        wait_until(lambda: published <= shed.stored(), 60, "the good readings among them stored")
        grown = sizes[-1] - sizes[0]
        row.lost = (row.lost or 0) + (grown > GROWTH_MOST_KIB)
        row.readings = len(published)
        row.notes.append(f"daemon: {count} payloads, {sizes[0] // 1024} MB, grown by {grown} KiB")
    finally:
        shed.close()
        broker.kill()


def _resident_kib(shed: Shed) -> int:
    assert shed.daemon.process is not None
    for line in Path(f"/proc/{shed.daemon.process.pid}/status").read_text().splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1])
    raise AssertionError("the daemon ended")
