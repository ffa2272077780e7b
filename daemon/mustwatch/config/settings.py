"""Configuration: a TOML file, every key of which the environment can override as ``MUSTWATCH_SECTION__KEY``.

Nothing secret (passwords, tokens, notification URLs) is ever shown: not in errors, logs, ``repr`` or JSON.
"""

import os
import tomllib
from datetime import time
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, Self
from zoneinfo import ZoneInfo

from pydantic import (
    BaseModel,
    Field,
    SecretStr,
    ValidationError,
    field_validator,
    model_validator,
)
from pydantic_settings import BaseSettings, PydanticBaseSettingsSource, SettingsConfigDict
from pydantic_settings import SettingsError as UnreadableEnvironmentError

from mustwatch.alerting.rules import MORNING, Digest, QuietHours
from mustwatch.cellar.vessel import Vessel, VesselKind
from mustwatch.config.sensor_settings import Name, Section, SensorSettings
from mustwatch.watch.finding import Severity, kinds

if TYPE_CHECKING:
    from mustwatch.ingest.broker_settings import BrokerSettings

SYSTEM_CONFIG = Path("/etc/mustwatch/mustwatch.toml")


class CellarSettings(Section):
    """``[cellar]``: what the cellar is called, where it is, and how its owner likes numbers shown."""

    name: str = "cellar"
    timezone: str = "UTC"
    night_begins: time = time(18, 0)
    night_ends: time = time(9, 0)
    gravity_unit: Literal["SG", "Bx"] = "SG"
    temperature_unit: Literal["C", "F"] = "C"
    profiles_dir: Path | None = None
    morning_review: time | None = None
    backlog_hours: float = Field(6.0, gt=0, description="older news is told as one digest")

    @field_validator("timezone")
    @classmethod
    def _known_timezone(cls, value: str) -> str:
        try:
            ZoneInfo(value)
        except (KeyError, ValueError, OSError):
            raise ValueError("an IANA time zone such as Europe/Vienna") from None
        return value


class MqttSettings(Section):
    """``[mqtt]``: the broker."""

    host: str = "127.0.0.1"
    port: int = Field(1883, ge=1, le=65535)
    client_id: str = Field("mustwatch", min_length=1, max_length=65)
    username: str | None = None
    password: SecretStr | None = None
    tls: bool = False
    ca_file: Path | None = None
    protocol: Literal["5", "3.1.1"] = "5"
    session_expiry_days: float = Field(14.0, gt=0, le=365)
    keepalive_seconds: int = Field(60, ge=5, le=3600)
    reconnect_most_seconds: float = Field(60.0, ge=1.0, le=3600.0)

    def broker(self) -> "BrokerSettings":
        """Return where the broker is, as the source needs it.

        Raises:
            BrokerSettingsError: a setting would lose messages, or a file is not there.
        """
        from mustwatch.ingest.broker_settings import (
            BrokerSettings,  # a command that asks no broker need not have it
        )

        return BrokerSettings(
            host=self.host,
            port=self.port,
            client_id=self.client_id,
            username=self.username,
            password=self.password.get_secret_value() if self.password is not None else None,
            tls=self.tls,
            ca_file=self.ca_file.expanduser() if self.ca_file is not None else None,
            protocol=5 if self.protocol == "5" else 4,
            session_expiry_s=round(self.session_expiry_days * 86_400),
            keepalive_s=self.keepalive_seconds,
        )


class StoreSettings(Section):
    """``[store]``: the embedded store, its commits, retention and backups."""

    path: Path = Path("~/.local/share/mustwatch/cellar.db")
    keep_raw_days: int = Field(730, ge=14)
    commit_seconds: float = Field(5.0, ge=0.0, le=600.0)
    commit_readings: int = Field(500, ge=1, le=5000)
    backup_dir: Path | None = None
    backup_keep: int = Field(7, ge=1, le=365)


class InfluxSettings(Section):
    """``[influx]``: the InfluxDB 2 mirror. Absent: no mirror."""

    url: str
    org: str
    bucket: str
    token: SecretStr
    site: str = "home"
    every_seconds: float = Field(300.0, ge=0.1, le=3600.0)


class WebSettings(Section):
    """``[web]``: the pages. Bound to loopback unless told otherwise."""

    enabled: bool = True
    bind: str = "127.0.0.1"
    port: int = Field(8714, ge=0, le=65535)
    token: SecretStr | None = None
    base_url: str | None = None

    @model_validator(mode="after")
    def _token_beyond_loopback(self) -> Self:
        if self.bind not in ("127.0.0.1", "::1", "localhost") and self.token is None:
            raise ValueError(
                "a web.token whenever web.bind is not a loopback address (set MUSTWATCH_WEB__TOKEN)"
            )
        if self.token is not None and len(self.token.get_secret_value()) < 12:
            raise ValueError("a web.token of at least 12 characters")
        return self


class TellSettings(Section):
    """``[[tell]]``: somebody to tell, by a notification-library URL."""

    url: SecretStr
    name: str | None = None
    severities: tuple[Severity, ...] = (Severity.NOTICE, Severity.WARNING, Severity.URGENT)
    quiet_hours: str | None = "22:00-07:00"
    kinds: tuple[str, ...] | None = None
    digest: Digest = Digest.NONE

    @field_validator("kinds")
    @classmethod
    def _known_kinds(cls, value: tuple[str, ...] | None) -> tuple[str, ...] | None:
        known = (MORNING, *kinds())
        unknown = [kind for kind in value or () if kind not in known]
        if unknown:
            raise ValueError(f"some of {', '.join(known)}, not {', '.join(unknown)}")
        return value

    @field_validator("quiet_hours")
    @classmethod
    def _two_times(cls, value: str | None) -> str | None:
        if value in (None, ""):
            return None
        QuietHours.parse(str(value))
        return value


class VesselSettings(Section):
    """``[[vessel]]``."""

    name: Name
    kind: VesselKind
    litres: float = Field(gt=0, le=100_000)

    def vessel(self) -> Vessel:
        """Return it as the core knows it."""
        return Vessel(self.name, self.kind, self.litres)


class Settings(BaseSettings):
    """The whole configuration."""

    model_config = SettingsConfigDict(
        env_prefix="MUSTWATCH_", env_nested_delimiter="__", extra="forbid", frozen=True, env_ignore_empty=True
    )

    cellar: CellarSettings = CellarSettings()
    mqtt: MqttSettings = MqttSettings()
    store: StoreSettings = StoreSettings()
    influx: InfluxSettings | None = None
    web: WebSettings = WebSettings()
    tell: tuple[TellSettings, ...] = ()
    vessel: tuple[VesselSettings, ...] = ()
    sensor: tuple[SensorSettings, ...] = ()
    lot: dict[str, dict[str, Any]] = {}

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,
        file_secret_settings: PydanticBaseSettingsSource,
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        """Let the environment take precedence over the file, which arrives as init values."""
        return env_settings, init_settings

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        vessels = [v.name for v in self.vessel]
        _refuse_twice("vessel names", vessels)
        _refuse_twice("sensor ids", [s.id for s in self.sensor])
        for sensor in self.sensor:
            if sensor.vessel is not None and sensor.vessel not in vessels:
                known = ", ".join(vessels) or "none yet"
                raise ValueError(
                    f"sensor {sensor.id}: vessel {sensor.vessel!r} to be a [[vessel]] (known: {known})"
                )
        topics: dict[str, str] = {}
        for described in (s.sensor() for s in self.sensor):
            for topic in described.topics or (described.topic,):
                other = topics.setdefault(topic, described.id)
                if other != described.id:
                    raise ValueError(
                        f"one sensor per topic: {topic!r} is claimed by {other} and {described.id}"
                    )
        return self


def _refuse_twice(what: str, names: list[str]) -> None:
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise ValueError(f"{what} to be unique: {', '.join(twice)} is used more than once")


class SettingsError(Exception):
    """The configuration has faults; ``faults`` has one line for each: key, value, what was expected."""

    def __init__(self, faults: list[str], path: Path | None) -> None:
        """Keep the faults and the file they are in."""
        self.faults = faults
        self.path = path
        super().__init__("; ".join(faults))


_SECRET_KEYS = {"password", "token", "url"}


def _fault(error: Any, values: dict[str, Any]) -> str:
    loc = [str(part) for part in error["loc"]]
    key = ".".join(_named(loc, values)) or "configuration"
    expected = str(error["msg"]).removeprefix("Value error, ").removeprefix("Input should be ")
    if error["type"] == "extra_forbidden":
        return f"{key}: unknown key; expected one of the keys in the example configuration (spelling?)"
    if error["type"] == "string_pattern_mismatch":
        expected = "1 to 64 characters without / # +"
    if error["type"] == "missing":
        return f"{key}: missing; expected a value"
    value = error["input"]
    if isinstance(value, dict | list | tuple | BaseModel):
        return f"{key}: expected {expected}"
    shown = "(hidden)" if _SECRET_KEYS & set(loc) else repr(value)[:80]
    return f"{key}: {shown}; expected {expected}"


def _named(loc: list[str], values: dict[str, Any]) -> list[str]:
    """Return where a fault is, an entry of a list by what its person calls it: ``sensor float-1``, else the 3rd."""
    if len(loc) < 2 or not loc[1].isdigit():
        return loc
    entry = values[loc[0]][int(loc[1])] if isinstance(values.get(loc[0]), list) else None
    name = entry.get("id") or entry.get("name") if isinstance(entry, dict) else None
    return [f"{loc[0]} {name or f'number {int(loc[1]) + 1}'}", *loc[2:]]


def find_config(given: Path | None) -> Path | None:
    """Return the configuration file to use: given, ``MUSTWATCH_CONFIG``, ./mustwatch.toml, /etc; or None.

    Raises:
        SettingsError: a file was named but is not there.
    """
    named = given or (Path(os.environ["MUSTWATCH_CONFIG"]) if os.environ.get("MUSTWATCH_CONFIG") else None)
    if named is not None:
        if not named.is_file():
            raise SettingsError(
                [f"{named}: no such file; expected a TOML configuration (see mustwatch check)"], named
            )
        return named
    return next((p for p in (Path("mustwatch.toml"), SYSTEM_CONFIG) if p.is_file()), None)


def load(given: Path | None = None) -> Settings:
    """Read the configuration.

    Raises:
        SettingsError: with every fault found, each by key, value and what was expected.
    """
    path = find_config(given)
    values: dict[str, Any] = {}
    if path is not None:
        try:
            values = tomllib.loads(path.read_text(encoding="utf-8"))
        except tomllib.TOMLDecodeError as error:
            raise SettingsError([f"{path}: not TOML: {error}"], path) from None
        except UnicodeDecodeError:
            raise SettingsError([f"{path}: not UTF-8 text; save the file as UTF-8"], path) from None
        except OSError as error:
            raise SettingsError(
                [f"{path}: cannot be read ({error.strerror}); check its owner and mode"], path
            ) from None
    try:
        return Settings(**values)
    except ValidationError as error:
        raise SettingsError([_fault(e, values) for e in error.errors()], path) from None
    except UnreadableEnvironmentError as error:
        raise SettingsError([f"environment: {error}"], path) from None


def overridden(path: Path | None) -> list[str]:
    """Return what of a readable configuration file the environment overrides with another value, a line each."""
    if path is None:
        return []
    values = tomllib.loads(path.read_text(encoding="utf-8"))
    said = []
    for variable in sorted(v for v in os.environ if v.upper().startswith("MUSTWATCH_")):
        section, _, key = variable.lower().removeprefix("mustwatch_").partition("__")
        of_file = values.get(section)
        if isinstance(of_file, dict) and str(of_file.get(key, os.environ[variable])) != os.environ[variable]:
            said.append(f"{section}.{key} of the file is not used: the environment has {variable}")
    return said
