"""What moves wine, from what was typed: a split, a blend, a topping-up, a loss, wine poured away."""

import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import replace

from mustwatch.cellar.book import Fate, Pour, Transfer, TransferName, What
from mustwatch.cellar.naming import unknown_lot
from mustwatch.cellar.parts import Parts
from mustwatch.cellar.transfer_rules import LOSSES
from mustwatch.recording import units
from mustwatch.recording.recorder import Recorder
from mustwatch.recording.typed import Typed, TypedWrongError

_BETWEEN = re.compile(r"[\n,;]")


def transfer_was_typed(recorder: Recorder, lot: str, name: str, at_ms: int, typed: Typed) -> What:
    """Return the transfer that was typed.

    Raises:
        TypedWrongError: a field cannot be read, or does not say which wine.
    """
    hand = _Hand(recorder, lot, at_ms, typed)
    makers: Mapping[str, Callable[[], Iterable[Pour]]] = {
        TransferName.SPLIT: hand.split,
        TransferName.BLEND: hand.blend,
        TransferName.TOP_UP: hand.top_up,
        TransferName.LOSE: hand.lose,
        TransferName.DUMP: hand.dump,
    }
    pours = tuple(makers[name]())
    is_racked = name == TransferName.SPLIT and _is_racked(recorder, lot, pours)
    return Transfer(TransferName.RACK if is_racked else TransferName(name), pours, typed.text("why"))


def _is_racked(recorder: Recorder, lot: str, pours: tuple[Pour, ...]) -> bool:
    """Return whether a split was a racking, too: lees stayed behind, or all of a wine that was due for it went."""
    gravity = recorder.facts(lot).gravity
    is_due = gravity is not None and gravity <= recorder.profile(lot).racking_gravity
    return any(p.fate is Fate.LEES or (is_due and p.litres is None) for p in pours)


class _Hand:
    """Reads one transfer of a lot at an instant."""

    def __init__(self, recorder: Recorder, lot: str, at_ms: int, typed: Typed) -> None:
        self._recorder, self._lot, self._at_ms, self._typed = recorder, lot, at_ms, typed

    def split(self) -> Iterator[Pour]:
        """Yield the parts, what stayed behind as lees, and (unless the rest stays) all that is then left."""
        typed = self._typed
        source = self._vessel(self._lot, "from")
        goes = [self._target(text) for text in _each(typed, "to")]
        if not goes:
            raise TypedWrongError(f"{typed.called('to')}: missing; expected e.g. carboy-1=23")
        along = self._going_along(source, goes[0][0])
        for vessel, litres, name in goes:
            floats = tuple(sensor for sensor, to in along.items() if to == vessel)
            one = Pour(self._lot, source, litres, vessel, name, floats=floats)
            yield self._known(one)
        lees = typed.volume_or_none_at_all("lees")
        if lees:
            yield Pour(self._lot, source, lees, fate=Fate.LEES)
        if typed.fields.get("keep") not in (True, "on") and all(litres is not None for _, litres, _ in goes):
            yield Pour(self._lot, source, None, fate=Fate.UNEXPLAINED)

    def blend(self) -> Iterator[Pour]:
        """Yield what each lot gives, all of it unless litres were said."""
        typed, history = self._typed, self._recorder.history
        asked = [self._of(text) for text in _each(typed, "of")]
        ours = history.lots.get(self._lot)
        if len(asked) + (ours is not None) < 2:
            raise TypedWrongError(f"{typed.called('of')}: expected the lots to blend, e.g. merlot=10")
        into = typed.text("to") or (ours.vessel_at(self._at_ms) if ours is not None else None)
        if into is None:
            raise TypedWrongError(f"{typed.called('to')}: missing; expected the vessel, e.g. tank")
        if ours is not None:
            parts = ours.parts_at(self._at_ms)
            yield from (
                self._known(Pour(self._lot, vessel, None, into)) for vessel in parts if vessel != into
            )
        for lot, litres in asked:
            yield from self._all_of(lot, litres, into)

    def top_up(self) -> Iterator[Pour]:
        """Yield the wine that goes from one lot, or another vessel of the same, into one of the lot's vessels."""
        typed = self._typed
        giver = typed.required("from", "a lot, e.g. merlot")
        into = self._vessel(self._lot, "vessel")
        litres = _read_volume(typed, "litres")
        source = self._vessel(giver, "from_vessel", but=into)
        yield self._known(Pour(giver, source, litres, into, self._lot if giver != self._lot else None))

    def lose(self) -> Iterator[Pour]:
        """Yield what was lost, of one vessel."""
        typed = self._typed
        how = typed.text("how") or Fate.SPILLED
        if how.replace("-", " ") not in [*LOSSES]:
            names = ", ".join(fate.replace(" ", "-") for fate in LOSSES)
            raise TypedWrongError(f"{typed.called('how')} {how!r} is unknown; expected one of {names}")
        fate = Fate(how.replace("-", " "))
        yield Pour(self._lot, self._vessel(self._lot, "vessel"), _read_volume(typed, "litres"), fate=fate)

    def dump(self) -> Iterator[Pour]:
        """Yield all that is left, of one vessel or of all."""
        named = self._typed.text("vessel")
        vessels = [*self._parts(self._lot)] if named is None else [self._vessel(self._lot, "vessel")]
        yield from (Pour(self._lot, vessel, None, fate=Fate.POURED_AWAY) for vessel in vessels)

    # --- which wine --------------------------------------------------------------------------------------------

    def _parts(self, lot: str) -> Parts:
        lots = self._recorder.history.lots
        if lot not in lots:
            raise TypedWrongError(unknown_lot(lot, lots))
        parts = lots[lot].parts_at(self._at_ms)
        if not parts:
            raise TypedWrongError(f"lot {lot!r} stands in no vessel then: give the time when it did")
        return parts

    def _vessel(self, lot: str, field: str, but: str | None = None) -> str:
        """Return the vessel that was said, or the only one the lot stands in."""
        parts, named = self._parts(lot), self._typed.text(field)
        if named is not None:
            return named
        others = [vessel for vessel in parts if vessel != but]
        if len(others) != 1:
            where = ", ".join(others or parts)
            raise TypedWrongError(
                f"lot {lot!r} stands in {where}: say which with {self._typed.called(field)}"
            )
        return others[0]

    def _target(self, text: str) -> tuple[str, float | None, str | None]:
        """Return ``VESSEL``, ``VESSEL=LITRES`` or ``VESSEL=LITRES=LOT`` apart."""
        vessel, _, rest = text.partition("=")
        litres, _, name = rest.partition("=")
        return vessel.strip(), self._litres("to", litres), name.strip() or None

    def _of(self, text: str) -> tuple[str, float | None]:
        lot, _, litres = text.rpartition("=") if "=" in text else (text, "", "")
        return lot.strip(), self._litres("of", litres)

    def _litres(self, field: str, text: str) -> float | None:
        if not text.strip():
            return None
        return Typed({field: text}, self._typed.as_options).by(units.volume_litres, field)

    def _all_of(self, lot: str, litres: float | None, into: str) -> Iterator[Pour]:
        """Yield those litres of a lot, vessel after vessel; all of it where none were said."""
        becomes = self._lot if lot != self._lot else None
        for vessel, there in self._parts(lot).items():
            is_last = there is None or litres is None or litres <= there
            takes = None if litres is None or not is_last else litres
            yield self._known(Pour(lot, vessel, takes, into, becomes))
            if litres is not None and is_last:
                return
            litres = None if litres is None else litres - (there or 0.0)
        if litres is not None and litres > 0.0:
            raise TypedWrongError(
                f"{self._typed.called('of')}: lot {lot!r} has {litres:.3g} L less than that"
            )

    def _known(self, pour: Pour) -> Pour:
        """Return a pour with what the sensors say of its wine: the gravity, and whether it has finished."""
        gravity = self._recorder.gravity_by_floats(pour.lot, self._at_ms)
        finished_ms = self._recorder.facts(pour.lot).findings.get("finished")
        return replace(
            pour,
            gravity=None if gravity is None else round(gravity, 4),
            finished=finished_ms is not None and finished_ms <= self._at_ms,
        )

    def _going_along(self, source: str, first: str) -> Mapping[str, str]:
        """Return the floats that go along, and where: those named (``SENSOR`` or ``SENSOR=VESSEL``), else none while
        wine stays where they are, else all with the first part, unless one waits there."""
        typed, recorder = self._typed, self._recorder
        named = typed.texts("floats")
        if named:
            pairs = (text.rpartition("=") if "=" in text else (text, "", first) for text in named)
            return {sensor: vessel for sensor, _, vessel in pairs}
        is_left = typed.fields.get("no_float") is True or typed.fields.get("keep") in (True, "on")
        if is_left or typed.fields.get("floats_shown") or recorder.floats_in(first, self._at_ms):
            return {}
        return dict.fromkeys(recorder.floats_in(source, self._at_ms), first)


def _each(typed: Typed, name: str) -> list[str]:
    """Return the texts of a field that names several: a list, or one text with a line or comma between."""
    texts = typed.texts(name)
    return [one.strip() for text in texts for one in _BETWEEN.split(text) if one.strip()]


def _read_volume(typed: Typed, name: str) -> float:
    typed.required(name, "2")
    litres = typed.by(units.volume_litres, name)
    assert litres is not None  # noqa: S101 - required above
    return litres
