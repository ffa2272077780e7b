"""Whatever arrives on the broker, listening neither fails nor proposes what could not be read."""

import json
import tomllib

from hypothesis import given, settings
from hypothesis import strategies as st

from mustwatch.config.settings import Settings
from mustwatch.listening.guess import guess
from mustwatch.listening.report import Topic, proposals, read_as, shown, toml_of

NOW_MS = 1_795_600_000_000
VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=20)
    | st.sampled_from([1.05, 19.4, 3.9, 44.0]),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(
            st.sampled_from(["sg", "temp", "n", "v", "u", "bn", "time", "batt"]) | st.text(max_size=8),
            inner,
            max_size=4,
        )
    ),
    max_leaves=12,
)
PAYLOADS = st.binary(max_size=200) | VALUES.map(lambda v: json.dumps(v).encode())
TOPICS = st.text(st.characters(codec="utf-8", exclude_characters="#+\x00"), min_size=1, max_size=40)


@given(st.lists(PAYLOADS, min_size=1, max_size=3), TOPICS)
@settings(max_examples=200, deadline=None)
def test_guessing_never_fails(payloads: list[bytes], topic: str) -> None:
    guess(payloads, topic)
    assert all(shown(payload).isprintable() for payload in payloads)


@given(st.lists(st.tuples(TOPICS, PAYLOADS), min_size=1, max_size=4, unique_by=lambda t: t[0]))
@settings(max_examples=200, deadline=None)
def test_every_proposal_is_a_valid_entry_whose_decoder_answers(heard: list[tuple[str, bytes]]) -> None:
    topics = [Topic(name, 1, 0, [payload]) for name, payload in heard]
    samples = dict(heard)

    for proposal in proposals(topics, (), (), NOW_MS):
        text = '[[vessel]]\nname = "NAME"\nkind = "bucket"\nlitres = 30\n' + toml_of(proposal)
        (described,) = Settings(**tomllib.loads(text)).sensor
        for topic in proposal.topics:
            read_as(described.sensor(), topic, samples[topic], NOW_MS)
