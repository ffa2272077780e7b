"""Texts as they were typed, as options of a command or into a form, by the name of their field."""

import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from mustwatch.cellar.measures import PLAIN, Measures
from mustwatch.must.bounds import OutOfRangeError
from mustwatch.recording import units

LONGEST_TEXT = 8_000


class TypedWrongError(ValueError):
    """A field cannot be read; the text names it, its value and what was expected.

    ``field`` is its name, if it is one field's fault; ``example`` what could stand there.
    """

    def __init__(self, text: str, field: str | None = None, example: str | None = None) -> None:
        """Keep whose fault it is."""
        super().__init__(text)
        self.field = field
        self.example = example


class ManyWrongError(ValueError):
    """What was typed is no entry; ``faults`` holds the fault of each field, in the order in which they were read."""

    def __init__(self, faults: Sequence[TypedWrongError]) -> None:
        """Keep them all; the text is theirs."""
        super().__init__("; ".join(str(fault) for fault in faults))
        self.faults = tuple(faults)


def _unsaid(_: str) -> None:
    """Let a remark fall."""


@dataclass(frozen=True, slots=True)
class Typed:
    """What was typed: texts by the name of the field; an empty one counts as not given.

    Attributes:
        fields: the texts.
        as_options: faults name ``--yeast-low`` instead of ``yeast_low``.
        remark: told what was assumed, a line; ``measures``: how quantities are said in it.
    """

    fields: Mapping[str, Any]
    as_options: bool = False
    remark: Callable[[str], None] = _unsaid
    measures: Measures = PLAIN

    def called(self, name: str) -> str:
        """Return what a field is called where it was typed."""
        return f"--{name.replace('_', '-')}" if self.as_options else name

    def text(self, name: str) -> str | None:
        """Return a text, or None."""
        value = self.fields.get(name)
        if value is None or (isinstance(value, str) and not value.strip()):
            return None
        if isinstance(value, bool) or not isinstance(value, str | int | float):
            raise TypedWrongError(f"{self.called(name)}: expected text or a number", name)
        text = str(value).strip()
        if len(text) > LONGEST_TEXT:
            raise TypedWrongError(
                f"{self.called(name)}: {len(text)} characters; expected {LONGEST_TEXT} at most", name
            )
        return text

    def required(self, name: str, example: str) -> str:
        """Return a text that must be given."""
        text = self.text(name)
        if text is None:
            raise TypedWrongError(f"{self.called(name)}: missing; expected e.g. {example}", name, example)
        return text

    def texts(self, name: str) -> tuple[str, ...]:
        """Return a list of texts, maybe empty."""
        value = self.fields.get(name) or ()
        if isinstance(value, str):
            value = (value,)
        if not isinstance(value, Sequence) or not all(isinstance(v, str) for v in value):
            raise TypedWrongError(f"{self.called(name)}: expected a list of names", name)
        return tuple(v for v in value if v)

    def by(self, read: Callable[[str, str], float], name: str) -> float | None:
        """Return what a reader of ``cli.units`` makes of a text, or None if there is none."""
        text = self.text(name)
        if text is None:
            return None
        with self.at_fault(name):
            return float(read(self.called(name), text))

    @contextmanager
    def at_fault(self, name: str) -> Iterator[None]:
        """Let what a reader of ``recording.units`` or the trade's arithmetic refuses be a field's fault."""
        try:
            yield
        except (units.UnitError, OutOfRangeError) as error:
            raise TypedWrongError(str(error), name) from None

    def number(self, name: str) -> float | None:
        """Return a plain number, or None."""
        text = self.text(name)
        if text is None:
            return None
        try:
            return units.decimal(text)
        except ValueError:
            raise TypedWrongError(
                f"{self.called(name)} {text!r} is not a number; expected e.g. 3.4", name
            ) from None

    def one_of(self, name: str, known: Iterable[str]) -> str:
        """Return a text that must be one of those known."""
        expected = ", ".join(known)
        text = self.required(name, expected.partition(",")[0])
        if text not in expected.split(", "):
            raise TypedWrongError(
                f"{self.called(name)} {text!r} is unknown; expected one of {expected}", name
            )
        return text

    def volume_or_none_at_all(self, name: str) -> float | None:
        """Return a volume in litres that may be zero."""
        is_none = re.fullmatch(r"0+([.,]0*)?\s*[Ll]?", self.text(name) or "")
        return 0.0 if is_none else self.by(units.volume_litres, name)
