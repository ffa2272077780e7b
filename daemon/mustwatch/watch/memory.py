"""What a watch remembers, as JSON: derived from the fields of its dataclasses, each declared once.

Every field is remembered unless it is declared ``TRANSIENT``: handed in when the watch is made, or set anew in every
slot. An object is written as its fields' values in their order; whether they fit is told by ``version_of``.
"""

import json
from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from enum import EnumType
from functools import cache
from hashlib import blake2b
from types import NoneType, UnionType
from typing import Any, NewType, get_args, get_origin, get_type_hints

from mustwatch.watch.finding import FindingKind, kind_named

TRANSIENT = {"transient": True}
"""The metadata of a field that is not remembered."""


PLAIN = (float, int, bool, str, Any)
"""Types whose values are in JSON what they are here."""


@cache
def remembered(of: Any) -> dict[str, Any]:
    """Return the types of a dataclass's remembered fields, or of a named tuple's, by name."""
    hints = get_type_hints(of)
    if not is_dataclass(of):
        return hints
    return {f.name: hints[f.name] for f in fields(of) if f.metadata != TRANSIENT}


def dumped(what: Any) -> str:
    """Return as JSON what an object, and all that it holds, remembers."""
    return json.dumps(what, default=_values, separators=(",", ":"))


def _values(of: object) -> list[Any]:
    return [getattr(of, name) for name in remembered(type(of))]  # type: ignore[arg-type]  # a type is hashable


def recall(into: object, state: list[Any]) -> None:
    """Set what an object remembers from what ``dumped`` wrote of it.

    Raises:
        ValueError, TypeError, LookupError: the state is of other fields.
    """
    hints = remembered(type(into))  # type: ignore[arg-type]  # a type is hashable
    for (name, hint), value in zip(hints.items(), state, strict=True):
        object.__setattr__(into, name, _recalled(hint, value, getattr(into, name, None)))


def _recalled(hint: Any, state: Any, now: Any = None) -> Any:
    """Return a value of the type ``hint``; what is there now, where the watch made it, takes its state over."""
    if hint in PLAIN or isinstance(hint, NewType):
        return state
    if hint is FindingKind:
        return kind_named(state)
    args = get_args(hint)
    if is_dataclass(now):
        recall(now, state)
        return now
    if is_dataclass(hint) and isinstance(hint, type):
        made = object.__new__(hint)
        recall(made, state)
        return made
    if isinstance(hint, UnionType):
        return None if state is None else _recalled(args[args[0] is NoneType], state)
    origin = get_origin(hint) or hint
    if origin is list:
        return [_recalled(args[0], value) for value in state]
    if origin is dict:
        return {key: _recalled(args[1], state[key], (now or {}).get(key)) for key in now or state}
    if origin is tuple:
        return tuple(_recalled(of, value) for of, value in zip(args, state, strict=True))
    if issubclass(origin, tuple):
        return origin(*map(_recalled, remembered(origin).values(), state))
    return origin(state) if isinstance(origin, EnumType) else state


def version_of(*classes: type) -> str:
    """Return a digest of the names and types of all that these classes, and what they hold, remember."""
    found = {f"{of.__name__}: {remembered(of)}" for cls in classes for of in _held(cls)}
    return blake2b("\n".join(sorted(found)).encode(), digest_size=8).hexdigest()


def _held(hint: Any) -> Iterator[type]:
    """Yield the dataclasses and named tuples that a value of a type may hold."""
    if hint is FindingKind:
        return
    for of in get_args(hint):
        yield from _held(of)
    if is_dataclass(hint) or (isinstance(hint, type) and issubclass(hint, tuple) and hint is not tuple):
        assert isinstance(hint, type)  # noqa: S101 (narrowing)
        yield hint
        for of in remembered(hint).values():
            yield from _held(of)
