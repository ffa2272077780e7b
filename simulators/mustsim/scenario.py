"""A scenario: what stands in the cellar, what happens to it, and what people do, as TOML tells it."""

import dataclasses
import tomllib
import types
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from enum import StrEnum
from importlib import resources
from pathlib import Path
from typing import Any, Final, Literal, Union, get_args, get_origin, get_type_hints

from mustsim.ferment import Must, Yeast
from mustsim.room import Room
from mustsim.sensors import Fault, Sensor
from mustsim.vessel import Vessel

SHIPPED: Final = resources.files("mustsim") / "scenarios"


class ScenarioError(ValueError):
    """A scenario cannot be used; the message says what was wrong, where, and what to do."""


class Deed(StrEnum):
    """What may happen to a lot besides fermenting."""

    MEASURE = "measure"
    RACK = "rack"
    SUGAR = "sugar"
    TOP_UP = "top-up"
    NUTRIENT = "nutrient"
    SULFITE = "sulfite"
    LID_OFF = "lid-off"
    RESTART = "restart"
    WAKE = "wake"
    """Not a deed of people: sleeping yeast begins again."""


@dataclass(frozen=True, slots=True)
class Action:
    """Something done to a lot (or, ``wake``, happening in it), on a day or once gravity has fallen so far.

    Attributes:
        deed: what; see ``Deed``.
        lot: the lot's name (empty: the only one).
        day: days after the begin, or
        at_gravity: when the true gravity has first fallen to this, plus ``after_h`` hours.
        to: rack: the vessel it goes into. ``floats`` that go with it (``"*"``: all that were in it).
        out_min: rack: minutes the floats lie in the air in between.
        litres: top-up: litres added; rack: litres left behind with the lees.
        of_gravity, of_abv_percent: top-up: what is added (1.000 and 0: water).
        sugar_g_per_l: sugar: grams per litre added.
        yan_mg_per_l: nutrient: nitrogen added. ``living_g_per_l``: restart and wake: yeast at work again.
        hours, loss_factor, around_c: lid-off: how long, how much faster heat is lost, and to what temperature
            (None: the room's).
        written: False: nobody writes it down (a forgotten entry).
        why: in the words of the person.
    """

    deed: Deed
    lot: str = ""
    day: float | None = None
    at_gravity: float | None = None
    after_h: float = 0.0
    to: str = ""
    floats: tuple[str, ...] = ("*",)
    out_min: float = 20.0
    litres: float = 0.0
    of_gravity: float = 1.0
    of_abv_percent: float = 0.0
    sugar_g_per_l: float = 0.0
    yan_mg_per_l: float = 0.0
    living_g_per_l: float = 0.0
    hours: float = 1.0
    loss_factor: float = 3.0
    around_c: float | None = None
    written: bool = True
    why: str = ""


@dataclass(frozen=True, slots=True)
class Lot:
    """A lot: one wine, where it begins, and by which limits its truth is judged.

    Attributes:
        pitch_c: temperature of the must when the yeast is pitched, °C.
        from_day: when that is, days after the scenario's begin.
        band_c: low, high, urgent low, urgent high, °C. Excursions longer than ``dwell_min`` are events.
        racking_gravity: its downward crossing is an event. ``dry_at``: above it a still ferment has stalled.
        profile: the daemon's profile that fits.
    """

    name: str
    vessel: str
    litres: float = 20.0
    must: Must = field(default_factory=Must)
    yeast: Yeast = field(default_factory=Yeast)
    pitch_c: float = 19.0
    from_day: float = 0.0
    profile: str = "default"
    must_name: str = ""
    yeast_name: str = ""
    band_c: tuple[float, float, float, float] = (15.0, 26.0, 10.0, 32.0)
    dwell_min: float = 30.0
    racking_gravity: float = 1.010
    dry_at: float = 0.998


@dataclass(frozen=True, slots=True)
class Scenario:
    """A whole scenario. ``vary`` maps a path to the range (or the choices) ``randomised`` draws it from."""

    name: str
    title: str = ""
    story: str = ""
    family: str = ""
    begins: datetime = datetime(2026, 9, 19, 10, 0, tzinfo=UTC)
    days: float = 21.0
    step_min: float = 15.0
    rooms: tuple[Room, ...] = (Room(),)
    vessels: tuple[Vessel, ...] = ()
    lots: tuple[Lot, ...] = ()
    sensors: tuple[Sensor, ...] = ()
    faults: tuple[Fault, ...] = ()
    actions: tuple[Action, ...] = ()
    vary: Mapping[str, Any] = field(default_factory=dict)

    def vessel(self, name: str) -> Vessel:
        """Return the vessel of a name.

        Raises:
            ScenarioError: there is none.
        """
        for vessel in self.vessels:
            if vessel.name == name:
                return vessel
        known = ", ".join(v.name for v in self.vessels)
        raise ScenarioError(
            f"scenario {self.name}: no vessel {name!r}; add it as [[vessels]] (known: {known})"
        )


def shipped_names() -> list[str]:
    """Return the names of the scenarios that come with the package, sorted."""
    return sorted(p.name.removesuffix(".toml") for p in SHIPPED.iterdir() if p.name.endswith(".toml"))


def load(name_or_path: str | Path) -> Scenario:
    """Return a scenario that comes with the package by its name, or one from a file.

    Raises:
        ScenarioError: there is none of that name, or it is not a valid scenario.
    """
    text = str(name_or_path)
    if text.endswith(".toml") or "/" in text:
        path = Path(text)
        if not path.is_file():
            raise ScenarioError(f"{text}: no such file; expected a scenario in TOML, or one of mustsim list")
        return parse(path.read_text("utf-8"), path.stem)
    if text not in shipped_names():
        raise ScenarioError(f"scenario {text!r} is not known; known: {', '.join(shipped_names())}")
    return parse((SHIPPED / f"{text}.toml").read_text("utf-8"), text)


def parse(text: str, name: str) -> Scenario:
    """Return the scenario that a TOML text describes.

    Raises:
        ScenarioError: it is not TOML, or a key or value does not fit; the message names the key.
    """
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ScenarioError(f"scenario {name}: not TOML: {error}") from error
    scenario: Scenario = _build(Scenario, {"name": name, **table}, f"scenario {name}")
    _check(scenario)
    return scenario


def _check(scenario: Scenario) -> None:
    """Refuse a scenario whose parts do not fit together."""
    lots = {lot.name for lot in scenario.lots}
    rooms = {room.name for room in scenario.rooms}
    where = f"scenario {scenario.name}"
    if not scenario.lots:
        raise ScenarioError(f"{where}: lots: none; expected at least one [[lots]]")
    for vessel in scenario.vessels:
        if vessel.room and vessel.room not in rooms:
            raise ScenarioError(f"{where}: vessel {vessel.name}: no room {vessel.room!r}")
    for lot in scenario.lots:
        scenario.vessel(lot.vessel)
        if not 0.0 <= lot.from_day < scenario.days:
            raise ScenarioError(
                f"{where}: lot {lot.name}: from_day {lot.from_day}; expected 0 to {scenario.days}"
            )
    for action in scenario.actions:
        if (action.lot or len(lots) > 1) and action.lot not in lots:
            raise ScenarioError(
                f"{where}: action {action.deed}: lot {action.lot!r}; expected one of {sorted(lots)}"
            )
        if (action.day is None) == (action.at_gravity is None):
            raise ScenarioError(f"{where}: action {action.deed}: expected either day or at_gravity")
        if action.deed is Deed.RACK:
            scenario.vessel(action.to)
    for sensor in scenario.sensors:
        if sensor.vessel:
            scenario.vessel(sensor.vessel)
        elif sensor.room not in rooms:
            raise ScenarioError(
                f"{where}: sensor {sensor.id}: expected a vessel, or a room of {sorted(rooms)}"
            )


def _build(kind: Any, table: Mapping[str, Any], where: str) -> Any:
    """Return a dataclass filled from a TOML table, recursively; unknown keys are refused by name."""
    hints = get_type_hints(kind)
    unknown = sorted(set(table) - set(hints))
    if unknown:
        raise ScenarioError(f"{where}: {unknown[0]}: unknown key; expected one of {', '.join(sorted(hints))}")
    values = {key: _convert(hints[key], value, f"{where}: {key}") for key, value in table.items()}
    try:
        return kind(**values)
    except TypeError as error:
        raise ScenarioError(f"{where}: {str(error).rpartition(': ')[2]} missing") from error


def _convert(hint: Any, value: Any, where: str) -> Any:
    """Return a TOML value as the type a dataclass asks for."""
    origin = get_origin(hint)
    if origin in (Union, types.UnionType):
        return _convert(next(a for a in get_args(hint) if a is not type(None)), value, where)
    if dataclasses.is_dataclass(hint):
        return _build(hint, _expect(dict, value, where), where)
    if origin is tuple:
        args = get_args(hint)
        items = _expect(list, value, where)
        of = [args[0]] * len(items) if args[-1] is ... else list(args)
        if len(of) != len(items):
            raise ScenarioError(f"{where}: {value!r}; expected {len(of)} values")
        return tuple(_convert(h, v, f"{where}[{i}]") for i, (h, v) in enumerate(zip(of, items, strict=True)))
    if origin is Literal:
        if value not in get_args(hint):
            raise ScenarioError(f"{where}: {value!r}; expected one of {', '.join(map(str, get_args(hint)))}")
        return value
    if isinstance(hint, type) and issubclass(hint, StrEnum):
        try:
            return hint(value)
        except ValueError as error:
            raise ScenarioError(f"{where}: {value!r}; expected one of {', '.join(hint)}") from error
    if hint is float and isinstance(value, int) and not isinstance(value, bool):
        return float(value)
    if hint is datetime and isinstance(value, datetime) and value.tzinfo is None:
        raise ScenarioError(
            f"{where}: {value}; expected a time with its offset, as 2026-09-19T10:00:00+02:00"
        )
    if origin is not None:
        return value
    return _expect(hint, value, where)


def _expect(hint: Any, value: Any, where: str) -> Any:
    if not isinstance(value, hint) or (isinstance(value, bool) and hint is not bool):
        raise ScenarioError(f"{where}: {value!r}; expected {hint.__name__}")
    return value
