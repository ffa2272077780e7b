"""From settings to what the core works with: sensors, vessels, profiles, the rules of telling."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import time
from functools import cache
from hashlib import blake2b
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from mustwatch.alerting.rules import QuietHours, TellRules, TellTarget, Units
from mustwatch.cellar.history import BEGINNING_MS, LotHistory, SensorStay
from mustwatch.cellar.instant import HOUR_MS, from_ms
from mustwatch.cellar.measures import Measures
from mustwatch.cellar.profile import Profile
from mustwatch.cellar.sensor import Sensor
from mustwatch.cellar.vessel import Vessel
from mustwatch.config.profiles import ProfileError, load_profile, overridden
from mustwatch.config.settings import Settings
from mustwatch.store.store import Store


@dataclass(frozen=True, slots=True)
class CellarPlan:
    """What the configuration says, as the core knows it."""

    sensors: Mapping[str, Sensor]
    vessels: Mapping[str, Vessel]
    profile_for: Callable[[LotHistory], Profile]
    rules: TellRules

    night_begins: time = time(18)
    night_ends: time = time(9)

    def is_night(self, at_ms: int) -> bool:
        """Say whether an instant lies in the cellar's night, by the clock on its wall."""
        local = from_ms(at_ms).astimezone(self.rules.units.zone).time()
        if self.night_begins < self.night_ends:
            return self.night_begins <= local < self.night_ends
        return local >= self.night_begins or local < self.night_ends


def target_names(settings: Settings) -> list[str]:
    """Return a name for everybody to tell: the given one, or one made of the address.

    What was told is remembered under the name, so it must not change when the list is put in another order. A
    digest of the address says nothing of it.
    """
    return [tell.name or _name_of(tell.url.get_secret_value()) for tell in settings.tell]


def _name_of(url: str) -> str:
    return f"tell-{blake2b(url.encode(), digest_size=3).hexdigest()}"


def measures_of(settings: Settings) -> Measures:
    """Return how the cellar's people say quantities."""
    cellar = settings.cellar
    return Measures(cellar.gravity_unit, cellar.temperature_unit, ZoneInfo(cellar.timezone))


def tell_rules(settings: Settings) -> TellRules:
    """Return the rules of telling."""
    targets = tuple(
        TellTarget(
            name,
            frozenset(tell.severities),
            QuietHours.parse(tell.quiet_hours) if tell.quiet_hours else None,
            None if tell.kinds is None else frozenset(tell.kinds),
            tell.digest,
            settings.cellar.morning_review or settings.cellar.night_ends,
        )
        for name, tell in zip(target_names(settings), settings.tell, strict=True)
    )
    units = Units(
        gravity=settings.cellar.gravity_unit,
        temperature=settings.cellar.temperature_unit,
        zone=ZoneInfo(settings.cellar.timezone),
        base_address=settings.web.base_url,
    )
    return TellRules(
        targets=targets, units=units, backlog_age_ms=round(settings.cellar.backlog_hours * HOUR_MS)
    )


def profile_of(
    settings: Settings, history: LotHistory, load: Callable[[str, Path | None], Profile] = load_profile
) -> Profile:
    """Return a lot's profile with the overrides of ``[lot.NAME]`` and the yeast's own temperature band.

    Raises:
        ProfileError: the profile or an override is wrong; the line names file or key, value, what was expected.
    """
    profile = load(history.start.profile, settings.cellar.profiles_dir)
    overrides: Mapping[str, Any] = settings.lot.get(history.lot, {})
    start = history.start
    yeast = {"low_c": start.yeast_low_c, "high_c": start.yeast_high_c}
    return overridden(
        profile, overrides, {k: v for k, v in yeast.items() if v is not None}, f"lot.{history.lot}"
    )


def plan_of(settings: Settings) -> CellarPlan:
    """Return the plan of a configuration. A lot whose profile is gone is watched by the default one.

    A profile is read once: a large cellar has many lots of few profiles.
    """
    load = cache(load_profile)

    def profile_for(history: LotHistory) -> Profile:
        try:
            return profile_of(settings, history, load)
        except ProfileError:
            return Profile()

    return CellarPlan(
        sensors={s.id: s.sensor() for s in settings.sensor},
        vessels={v.name: v.vessel() for v in settings.vessel},
        profile_for=profile_for,
        rules=tell_rules(settings),
        night_begins=settings.cellar.night_begins,
        night_ends=settings.cellar.night_ends,
    )


def note_places(store: Store, plan: CellarPlan, now_ms: int) -> None:
    """Write down where the configuration puts each sensor, if that changed: from the beginning, or from now on."""
    known = store.book.configured_places()
    with store.transaction():
        for sensor in plan.sensors.values():
            if sensor.id not in known:
                store.book.configure_place(SensorStay(sensor.id, sensor.vessel, BEGINNING_MS))
            elif known[sensor.id] != sensor.vessel:
                store.book.configure_place(SensorStay(sensor.id, sensor.vessel, now_ms))
