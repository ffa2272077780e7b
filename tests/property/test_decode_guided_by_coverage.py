"""Decoders under a coverage-guided fuzzer. MUSTWATCH_FUZZ_EXAMPLES=100000 runs the long form."""

import os
from pathlib import Path

import pytest

import mustwatch.ingest.decoders as decoders
from coverage_fuzzer import CoverageFuzzer
from decoder_samples import HOSTILE, NOW_MS, SAMPLES, TOPIC
from mustwatch.cellar.reading import Reading
from mustwatch.ingest.decoders import DECODERS, PartlyRejected, Rejected, RejectReason, decoder_for

EXAMPLES = int(os.environ.get("MUSTWATCH_FUZZ_EXAMPLES", "1500"))
WATCHED = str(Path(decoders.__file__).parent)

WORDS = (
    b'"n":"gravity"',
    b'"n":"temperature"',
    b'"u":"Cel"',
    b'"u":"kg/m3"',
    b'"t":',
    b'"bt":1.79e9',
    b'"bver":10',
    b'"x_":1',
    b'"vb":true',
    b"NaN",
    b"1e999",
    b"-1e308",
    b"null",
    b"9" * 400,
    b"9" * 5000,
    b"[" * 20,
    b"{},",
    b'"',
    b"\\",
    b"\xff",
    b"\xed\xa0\x80",
    b'"2026-09-21T14:13:20Z"',
    b'"at":',
    b'"incline":',
    b" " * 70_000,
)


@pytest.mark.parametrize("name", sorted(DECODERS))
def test_no_path_through_a_decoder_raises(name: str) -> None:
    decode = decoder_for(SAMPLES[name].sensor)
    reasons: set[RejectReason] = set()
    read: list[Reading] = []

    def target(payload: bytes) -> None:
        outcome = decode(payload, TOPIC, NOW_MS)
        if isinstance(outcome, Rejected):
            reasons.add(outcome.reason)
        else:
            read.extend(outcome.readings if isinstance(outcome, PartlyRejected) else outcome)
            del read[:-1]

    seeds = [SAMPLES[name].payload, *(payload for payload in HOSTILE if len(payload) < 200)]
    fuzzer = CoverageFuzzer(target, WATCHED, seeds, WORDS, seed=20)
    steps_of_seeds = len(fuzzer.steps)

    fuzzer.run(EXAMPLES)

    assert len(fuzzer.steps) > steps_of_seeds, "a fuzzer that finds no new path does not fuzz"
    assert read, "nor does one that never makes a payload that is read"
    assert {RejectReason.NOT_UTF8, RejectReason.NOT_FINITE, RejectReason.TOO_LARGE} <= reasons
