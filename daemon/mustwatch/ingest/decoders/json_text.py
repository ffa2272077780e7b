"""Bounded reading of JSON from hostile bytes: size, encoding, nesting and non-numbers are refused."""

import json
import re
from collections.abc import Callable
from typing import Any, Final

from mustwatch.ingest.decoders.outcome import MAX_PAYLOAD_BYTES, Refusal, RejectReason

MAX_DEPTH: Final = 16
"""Objects and lists within each other. A field map of more than sixteen steps is nobody's."""

_WHITESPACE: Final = " \t\r\n"
_MARKS: Final = re.compile(r'"(?:[^"\\]+|\\.)*+"?|[\[\]{}]', re.DOTALL)
"""Strings (skipped, also an unterminated one, so that the scan stays linear) and brackets."""


def _refuse_constant(name: str) -> Any:
    raise Refusal(RejectReason.NOT_FINITE, f"the payload says {name}; expected finite numbers")


_DECODER: Final = json.JSONDecoder(parse_constant=_refuse_constant)
_scan: Final[Callable[[str, int], tuple[Any, int]]] = _DECODER.scan_once  # type: ignore[attr-defined]
"""One value at a position, in C; ``StopIteration`` where none begins. What ``raw_decode`` wraps."""


def text_of(payload: bytes) -> str:
    """Return a payload as text, without white space around it.

    Raises:
        Refusal: it is too long, or not UTF-8.
    """
    if len(payload) > MAX_PAYLOAD_BYTES:
        raise Refusal(
            RejectReason.TOO_LARGE, f"a payload of {len(payload)} bytes; expected at most {MAX_PAYLOAD_BYTES}"
        )
    try:
        return payload.decode().strip(_WHITESPACE)
    except UnicodeDecodeError as error:
        raise Refusal(
            RejectReason.NOT_UTF8, f"byte {error.start} is not UTF-8; expected UTF-8 text"
        ) from None


def json_of(payload: bytes) -> Any:
    """Return the JSON value in a payload.

    Raises:
        Refusal: it is too long, not UTF-8, not JSON, nested too deeply, or says NaN or Infinity.
    """
    text = text_of(payload)
    if text.count("{") + text.count("[") > MAX_DEPTH:
        _refuse_depth(text)
    try:
        value, end = _scan(text, 0)
    except StopIteration as stop:
        raise Refusal(RejectReason.NOT_JSON, f"not JSON at character {stop.value}: Expecting value") from None
    except json.JSONDecodeError as error:
        raise Refusal(RejectReason.NOT_JSON, f"not JSON at character {error.pos}: {error.msg}") from None
    except RecursionError:
        raise Refusal(
            RejectReason.TOO_DEEP, f"nested too deeply; expected at most {MAX_DEPTH} levels"
        ) from None
    except ValueError:  # an integer of more digits than Python converts
        raise Refusal(
            RejectReason.NOT_A_NUMBER, "a number of thousands of digits; expected a number"
        ) from None
    if end != len(text):
        raise Refusal(RejectReason.NOT_JSON, f"not JSON at character {end}: more follows the value")
    return value


def _refuse_depth(text: str) -> None:
    depth = 0
    for match in _MARKS.finditer(text):
        mark = match.group()
        if mark in "[{":
            depth += 1
            if depth > MAX_DEPTH:
                raise Refusal(
                    RejectReason.TOO_DEEP,
                    f"nested too deeply at character {match.start()}; expected at most {MAX_DEPTH} levels",
                )
        elif mark in "]}":
            depth -= 1
