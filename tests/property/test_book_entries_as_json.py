"""Entries survive the way into JSON and back, whatever they hold; what is no entry is refused, never crashed on."""

import json
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mustwatch.cellar.book import Entry
from mustwatch.cellar.entry_json import (
    WHAT_BY_KIND,
    UnreadableEntryError,
    entry_from_json,
    entry_to_json,
)

INSTANTS = st.integers(0, 4_000_000_000_000)
WORDS = st.text(min_size=1, max_size=40)


def _no_nan(value: object) -> bool:
    return not any(isinstance(v, float) and not math.isfinite(v) for v in vars_of(value))


def vars_of(value: object) -> list[object]:
    return [getattr(value, name) for name in type(value).__dataclass_fields__]  # type: ignore[attr-defined]


WHATS = st.one_of([st.from_type(cls) for cls in WHAT_BY_KIND.values()]).filter(_no_nan)
ENTRIES = st.builds(
    Entry,
    id=WORDS,
    lot=WORDS,
    at_ms=INSTANTS,
    recorded_ms=INSTANTS,
    what=WHATS,
    despite=st.none() | WORDS,
    replaces=st.none() | WORDS,
    undone_ms=st.none() | INSTANTS,
)


@given(ENTRIES)
@settings(max_examples=200)
def test_an_entry_read_back_is_the_entry(entry: Entry) -> None:
    assert entry_from_json(json.loads(json.dumps(entry_to_json(entry)))) == entry


JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=12), inner, max_size=6),
    max_leaves=12,
)


@given(JSON)
@settings(max_examples=150)
def test_anything_else_is_refused_in_one_line(body: object) -> None:
    with pytest.raises(UnreadableEntryError) as caught:
        entry_from_json(body)

    assert "\n" not in str(caught.value)


@given(ENTRIES, st.data())
@settings(max_examples=150)
def test_an_entry_with_one_value_spoilt_is_read_or_refused(entry: Entry, data: st.DataObject) -> None:
    body = entry_to_json(entry)
    key = data.draw(st.sampled_from([*body, "surprise"]))
    body[key] = data.draw(JSON)

    try:
        read = entry_from_json(body)
    except UnreadableEntryError:
        return
    assert entry_from_json(entry_to_json(read)) == read
