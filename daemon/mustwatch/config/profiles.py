"""Wine profiles: TOML files, shipped ones beside the winemaker's own, read into ``cellar.profile.Profile``.

A profile may be ``like`` another: it takes everything from that one and states only what differs; steps, if it
states any, replace the other's as a whole. An own file with a shipped name takes the shipped one's place.
"""

import tomllib
from collections.abc import Mapping
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

from mustwatch.cellar.additions import Purpose
from mustwatch.cellar.analysis import Quantity
from mustwatch.cellar.book import EntryKind
from mustwatch.cellar.profile import OR, Band, Profile, Stage, Step
from mustwatch.cellar.reading import GRAVITY_RANGE, TEMPERATURE_RANGE_C
from mustwatch.cellar.requirements import Requirement
from mustwatch.cellar.steps import START
from mustwatch.config.shipped import shipped
from mustwatch.watch.finding import kinds

LIKE_DEPTH = 5
"""How many profiles may stand behind each other; more is a circle."""

_NUMBERS: Mapping[str, tuple[float, float]] = {
    "racking_gravity": GRAVITY_RANGE,
    "dry_gravity": GRAVITY_RANGE,
    "settled_hours": (1.0, 1000.0),
    "onset_hours": (1.0, 1000.0),
    "dwell_minutes": (0.0, 1440.0),
    "night_swing_c": (0.1, 50.0),
    "fast_change_c_per_hour": (0.1, 50.0),
    "racking_notice_hours": (0.0, 1000.0),
    "total_so2_limit_mg_per_l": (0.0, 1000.0),
}
_STEP_NUMBERS: Mapping[str, tuple[float, float]] = {
    "days": (0.0, 3650.0),
    "gravity": GRAVITY_RANGE,
    "sugar_used": (0.01, 1.0),
    "repeat_days": (0.1, 3650.0),
    "lasts_days": (0.1, 3650.0),
}
_STEP_TEXTS = ("id", "do", "why", "source")
_BAND_KEYS = tuple(f.name for f in fields(Band))
_STEP_KEYS = tuple(f.name for f in fields(Step))
_PROFILE_KEYS = ("like", "title", "band", "bands", "step", "round", *_NUMBERS)


class ProfileError(ValueError):
    """A profile cannot be used; the message names the file, the key, the value and what was expected."""


def profile_names(own_dir: Path | None = None) -> list[str]:
    """Return the names of all profiles, shipped and own, in alphabetical order."""
    folders = [shipped("profiles"), *([own_dir] if own_dir is not None and own_dir.is_dir() else [])]
    return sorted({path.stem for folder in folders for path in folder.glob("*.toml")})


def load_profile(name: str, own_dir: Path | None = None) -> Profile:
    """Return a profile by name, from the winemaker's own folder if it is there, else from the shipped ones.

    Raises:
        ProfileError: no such profile, a file that cannot be read, or a key, value or step that is wrong.
    """
    return _load(name, own_dir, ())


def _load(name: str, own_dir: Path | None, on_the_way: tuple[str, ...]) -> Profile:
    path = _find(name, own_dir, skip_own=name in on_the_way)
    if len(on_the_way) > LIKE_DEPTH:
        raise ProfileError(f"{path}: like = {name!r} leads back to itself: {' like '.join(on_the_way)}")
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise ProfileError(f"{path}: cannot be read as TOML: {error}") from None
    reader = _Reader(path)
    like = reader.text(table, "like", "") if "like" in table else None
    base = _load(like, own_dir, (*on_the_way, name)) if like else Profile()
    return reader.profile(name, table, base)


def _find(name: str, own_dir: Path | None, *, skip_own: bool) -> Path:
    """Return a profile's file; an own one that is like the shipped one of the same name finds that one."""
    known = profile_names(own_dir)
    if name not in known:
        raise ProfileError(f"profile {name!r} is unknown: expected one of {', '.join(known)}")
    own = own_dir / f"{name}.toml" if own_dir is not None else None
    if own is not None and own.is_file() and not skip_own:
        return own
    try:
        return shipped("profiles", f"{name}.toml")
    except FileNotFoundError:
        raise ProfileError(f"{own}: like = {name!r} is the profile itself: name another one") from None


class _Reader:
    """Reads one file's tables; every fault names the file, the key, the value and what was expected."""

    def __init__(self, place: Path | str) -> None:
        self._place = place

    def fault(self, key: str, value: object, expected: str) -> ProfileError:
        return ProfileError(f"{self._place}: {key} = {value!r}: expected {expected}")

    def keys(self, table: Mapping[str, Any], where: str, known: tuple[str, ...]) -> None:
        for key in table:
            if key not in known:
                raise self.fault(where + key, table[key], f"one of the keys {', '.join(known)}")

    def number(self, table: Mapping[str, Any], key: str, where: str, low: float, high: float) -> float:
        value = table[key]
        if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
            raise self.fault(where + key, value, f"a number from {low:g} to {high:g}")
        return float(value)

    def text(self, table: Mapping[str, Any], key: str, where: str) -> str:
        value = table[key]
        if not isinstance(value, str) or not value.strip():
            raise self.fault(where + key, value, "some words")
        return value

    def one_of(self, value: object, key: str, known: tuple[str, ...]) -> str:
        if not isinstance(value, str) or value not in known:
            raise self.fault(key, value, f"one of {', '.join(known)}")
        return value

    def texts(self, table: Mapping[str, Any], key: str, where: str) -> tuple[str, ...]:
        value = table[key]
        if not isinstance(value, list) or not all(isinstance(v, str) and v for v in value):
            raise self.fault(where + key, value, "a list of words")
        return tuple(value)

    def table(self, value: object, key: str) -> Mapping[str, Any]:
        if not isinstance(value, dict):
            raise self.fault(key, value, f"a table [{key}]")
        return value

    def profile(self, name: str, table: Mapping[str, Any], base: Profile) -> Profile:
        self.keys(table, "", _PROFILE_KEYS)
        changes: dict[str, Any] = {"name": name}
        if "title" in table:
            changes["title"] = self.text(table, "title", "")
        for key, (low, high) in _NUMBERS.items():
            if key in table:
                changes[key] = self.number(table, key, "", low, high)
        if "band" in table:
            changes["band"] = self.band(self.table(table["band"], "band"), "band.", base.band)
        if "bands" in table:
            changes["bands"] = self.bands(
                self.table(table["bands"], "bands"), changes.get("band", base.band), base
            )
        if "step" in table:
            changes["steps"] = self.steps(table["step"], "step")
        if "round" in table:
            changes["rounds"] = self.rounds(table["round"])
        profile = replace(base, **changes)
        if profile.dry_gravity >= profile.racking_gravity:
            expected = f"less than racking_gravity = {profile.racking_gravity:g}"
            raise self.fault("dry_gravity", profile.dry_gravity, expected)
        return profile

    def band(self, table: Mapping[str, Any], where: str, base: Band) -> Band:
        self.keys(table, where, _BAND_KEYS)
        band = replace(base, **{key: self.number(table, key, where, *TEMPERATURE_RANGE_C) for key in table})
        order = (band.urgent_low_c, band.low_c, band.high_c, band.urgent_high_c)
        if not (order[0] <= order[1] < order[2] <= order[3]):
            raise self.fault(where.rstrip("."), order, "urgent_low_c <= low_c < high_c <= urgent_high_c")
        return band

    def bands(self, table: Mapping[str, Any], whole: Band, base: Profile) -> tuple[tuple[Stage, Band], ...]:
        found = dict(base.bands)
        for key, value in table.items():
            stage = Stage(self.one_of(key, "bands", tuple(Stage)))
            found[stage] = self.band(self.table(value, f"bands.{key}"), f"bands.{key}.", whole)
        return tuple(found.items())

    def rounds(self, value: object) -> tuple[Step, ...]:
        rounds = self.steps(value, "round")
        for step in rounds:
            if step.repeat_days is None:
                raise self.fault(f"round {step.id!r} repeat_days", None, "to be there: a round comes again")
        return rounds

    def steps(self, value: object, key: str) -> tuple[Step, ...]:
        if not isinstance(value, list) or not all(isinstance(v, dict) for v in value):
            raise self.fault(key, value, f"tables [[{key}]]")
        ids = tuple(str(v.get("id")) for v in value)
        steps = tuple(
            self.step(table, f"{key} {table.get('id', n)!r} ", ids) for n, table in enumerate(value, 1)
        )
        for number, step in enumerate(steps):
            if step.id in ids[:number]:
                raise self.fault(f"{key} {number + 1} id", step.id, f"an id that no other {key} has")
        return steps

    def step(self, table: Mapping[str, Any], where: str, ids: tuple[str, ...]) -> Step:
        self.keys(table, where, _STEP_KEYS)
        for key in ("id", "do", "why", "stage"):
            if key not in table:
                kind = where.partition(" ")[0]
                expected = f"to be there: every {kind} has id, do, why and stage"
                raise self.fault(where + key, None, expected)
        values: dict[str, Any] = {key: self.text(table, key, where) for key in _STEP_TEXTS if key in table}
        for key, (low, high) in _STEP_NUMBERS.items():
            if key in table:
                values[key] = self.number(table, key, where, low, high)
        for key in ("stage", "leads_to", "until"):
            if key in table:
                values[key] = Stage(self.one_of(table[key], where + key, tuple(Stage)))
        for key in ("ready", "requires"):
            if key in table:
                values[key] = self.texts(table, key, where)
        for name in values.get("requires", ()):
            self.one_of(name, where + "requires", tuple(Requirement))
        if "after" in table:
            values["after"] = self.one_of(table["after"], where + "after", (START, *ids, *EntryKind))
        if "finding" in table:
            values["finding"] = self.one_of(table["finding"], where + "finding", kinds())
        if "done_by" in table:
            values["done_by"] = table["done_by"]
            for one in str(table["done_by"]).split(OR):
                self.one_of(one, where + "done_by", _DONE_BY)
        return Step(**values)


_DONE_BY: tuple[str, ...] = (
    *EntryKind,
    *(f"{EntryKind.ADD}:{p}" for p in Purpose),
    *(f"{EntryKind.MEASURE}:{q}" for q in Quantity),
    *Requirement,
)


def overridden(
    profile: Profile, overrides: Mapping[str, Any], yeast_band: Mapping[str, float], where: str
) -> Profile:
    """Return a lot's own limits: the profile, with the lot's overrides and the yeast's own temperature band.

    Args:
        profile: the profile the lot was started with.
        overrides: the keys of a profile file (without ``like`` and ``step``) that differ for this lot.
        yeast_band: ``low_c`` and ``high_c`` as far as the winemaker gave them; they hold in primary and
            secondary, while the yeast works. An urgent limit inside the yeast's band moves out to it.
        where: what messages call the place of the overrides, e.g. ``lot.apple-2026``.

    Raises:
        ProfileError: an override is wrong; the line names the key, the value and what was expected.
    """
    reader = _Reader(where)
    known = tuple(key for key in _PROFILE_KEYS if key not in ("like", "step", "round"))
    reader.keys(overrides, "", known)
    if overrides:
        profile = reader.profile(profile.name, overrides, profile)
    if not yeast_band:
        return profile
    bands = dict(profile.bands)
    for stage in (Stage.PRIMARY, Stage.SECONDARY):
        bands[stage] = _yeasts(profile.band_in(stage), yeast_band.get("low_c"), yeast_band.get("high_c"))
    return replace(profile, bands=tuple(bands.items()))


def _yeasts(band: Band, low_c: float | None, high_c: float | None) -> Band:
    """Return a band moved to the yeast's own limits."""
    low = band.low_c if low_c is None else low_c
    high = band.high_c if high_c is None else high_c
    if low >= high:  # only one end was given, and it lies beyond the profile's other end
        low, high = (low, low + 1.0) if high_c is None else (high - 1.0, high)
    return Band(low, high, min(band.urgent_low_c, low), max(band.urgent_high_c, high))
