"""Entries as plain JSON objects and back: for the store's rows, and for a record that travels."""

import types
import typing
from collections.abc import Mapping
from dataclasses import fields
from datetime import datetime
from enum import StrEnum
from typing import Any, TypeVar

from mustwatch.cellar.book import (
    Addition,
    Attended,
    BottlesTaken,
    Bottling,
    Entry,
    EntryKind,
    Malolactic,
    Measurement,
    Move,
    Note,
    OwnReminder,
    Pour,
    Racking,
    Reanchor,
    StageChange,
    Start,
    Tasting,
    Transfer,
    What,
)
from mustwatch.cellar.instant import iso, to_ms

WHAT_BY_KIND: Mapping[EntryKind, type[Any]] = {
    EntryKind.START: Start,
    EntryKind.MEASURE: Measurement,
    EntryKind.RACK: Racking,
    EntryKind.ADD: Addition,
    EntryKind.NOTE: Note,
    EntryKind.TASTE: Tasting,
    EntryKind.BOTTLE: Bottling,
    EntryKind.MOVE: Move,
    EntryKind.REANCHOR: Reanchor,
    EntryKind.STAGE: StageChange,
    EntryKind.MALOLACTIC: Malolactic,
    EntryKind.TRANSFER: Transfer,
    EntryKind.REMIND: OwnReminder,
    EntryKind.ATTEND: Attended,
    EntryKind.STOCK: BottlesTaken,
}


Made = TypeVar("Made")


class UnreadableEntryError(ValueError):
    """A JSON object is not an entry; the message names the key, the value and what was expected."""


def what_to_json(what: What) -> dict[str, Any]:
    """Return what was done as an object of its fields that differ from their defaults, without the kind."""
    return {
        name: [_body(pour) for pour in value] if name == "pours" else value
        for name, value in _body(what).items()
    }


def _body(what: Any) -> dict[str, Any]:
    differing = {f.name: getattr(what, f.name) for f in fields(what) if f.name != "kind"}
    defaults = {f.name: f.default for f in fields(what)}
    return {name: value for name, value in differing.items() if value != defaults[name]}


def _one_of(annotation: Any) -> tuple[Any, ...]:
    """Return the types an annotation admits."""
    if isinstance(annotation, types.UnionType):
        return typing.get_args(annotation)
    return (annotation,)


def _value(kind: EntryKind, name: str, value: Any, annotation: Any) -> Any:
    """Return a JSON value as the field's type, or raise ``UnreadableEntryError``."""
    for admitted in _one_of(annotation):
        if admitted is type(None) and value is None:
            return None
        if admitted is float and isinstance(value, int | float) and not isinstance(value, bool):
            if float("-inf") < value < float("inf"):
                return float(value)
        elif admitted in (int, str, bool) and type(value) is admitted:
            return value
        elif admitted == tuple[Pour, ...] and isinstance(value, list | tuple):
            return tuple(_pour(kind, pour) for pour in value)
        elif typing.get_origin(admitted) is tuple and isinstance(value, list | tuple):
            if all(isinstance(v, str) for v in value):
                return tuple(value)
        elif isinstance(admitted, type) and issubclass(admitted, StrEnum) and value in list(admitted):
            return admitted(value)
    expected = " or ".join(
        getattr(a, "__name__", str(a)).replace("NoneType", "null") for a in _one_of(annotation)
    )
    raise UnreadableEntryError(
        f"entry of kind {kind}: {name} = {value!r} cannot be read; expected {expected}"
    )


def _pour(kind: EntryKind, body: Any) -> Pour:
    """Return one pour of a transfer from its object, or raise ``UnreadableEntryError``."""
    if not isinstance(body, Mapping):
        raise UnreadableEntryError(f"entry of kind {kind}: pour {body!r} cannot be read; expected an object")
    return _made(kind, Pour, body)


def what_from_json(kind: str, body: Mapping[str, Any]) -> What:
    """Return what was done from its kind and fields.

    Raises:
        UnreadableEntryError: unknown kind or field, a field missing, or a value of the wrong type.
    """
    if kind not in list(EntryKind):
        raise UnreadableEntryError(
            f"entry of kind {kind!r} is unknown; expected one of {', '.join(EntryKind)}"
        )
    of_kind = EntryKind(kind)
    return typing.cast(What, _made(of_kind, WHAT_BY_KIND[of_kind], body))


def _made(kind: EntryKind, cls: type[Made], body: Mapping[str, Any]) -> Made:
    """Return a dataclass of the book from its fields."""
    hints = typing.get_type_hints(cls)
    known = {name for name in hints if name != "kind"}
    for name in body:
        if name not in known:
            raise UnreadableEntryError(
                f"entry of kind {kind}: unknown key {name!r}; expected {', '.join(known)}"
            )
    values = {name: _value(kind, name, value, hints[name]) for name, value in body.items()}
    try:
        return cls(**values)
    except TypeError as error:
        raise UnreadableEntryError(f"entry of kind {kind}: {str(error).split(') ')[-1]}") from None


def entry_to_json(entry: Entry) -> dict[str, Any]:
    """Return an entry as one JSON object; instants as ISO 8601 with offset."""
    return {
        "id": entry.id,
        "lot": entry.lot,
        "at": iso(entry.at_ms),
        "recorded_at": iso(entry.recorded_ms),
        "kind": str(entry.kind),
        **what_to_json(entry.what),
        **({} if entry.despite is None else {"despite": entry.despite}),
        **({} if entry.replaces is None else {"replaces": entry.replaces}),
        **({} if entry.undone_ms is None else {"undone_at": iso(entry.undone_ms)}),
    }


_ENVELOPE = ("id", "lot", "at", "recorded_at", "kind", "despite", "replaces", "undone_at")


def _text(body: Mapping[str, Any], key: str, *, required: bool) -> str | None:
    value = body.get(key)
    if (value is None and not required) or (isinstance(value, str) and value):
        return value
    raise UnreadableEntryError(f"entry {body.get('id', '?')}: {key} = {value!r}; expected a text")


def _instant(body: Mapping[str, Any], key: str, *, required: bool = True) -> int | None:
    value = _text(body, key, required=required)
    if value is None:
        return None
    try:
        return to_ms(datetime.fromisoformat(value))
    except ValueError:
        raise UnreadableEntryError(
            f"entry {body.get('id', '?')}: {key} = {value!r}; expected ISO 8601 with an offset"
        ) from None


def entry_from_json(body: object) -> Entry:
    """Return an entry from the object ``entry_to_json`` makes.

    Raises:
        UnreadableEntryError: naming the key, the value and what was expected.
    """
    if not isinstance(body, Mapping):
        raise UnreadableEntryError(f"an entry is {type(body).__name__}; expected an object")
    fields_of_what = {k: v for k, v in body.items() if k not in _ENVELOPE}
    at_ms, recorded_ms = _instant(body, "at"), _instant(body, "recorded_at")
    return Entry(
        id=str(_text(body, "id", required=True)),
        lot=str(_text(body, "lot", required=True)),
        at_ms=at_ms if at_ms is not None else 0,
        recorded_ms=recorded_ms if recorded_ms is not None else 0,
        what=what_from_json(str(_text(body, "kind", required=True)), fields_of_what),
        despite=_text(body, "despite", required=False),
        replaces=_text(body, "replaces", required=False),
        undone_ms=_instant(body, "undone_at", required=False),
    )
