"""``[[sensor]]`` of the configuration, and what every section of it is made of."""

from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from mustwatch.cellar import sensor as cellar_sensor

NAME_PATTERN = r"^[^\x00-\x1f/#+]{1,64}$"
"""Names of vessels, sensors and lots: any letters of any language, but nothing that breaks a topic."""

Name = Annotated[str, Field(pattern=NAME_PATTERN)]

DEFAULT_UNITS = {
    "gravity": "SG",
    "inclination": "deg",
    "temperature": "C",
    "battery": "V",
    "signal": "dBm",
    "time": "iso",
}
UNITS = {
    "gravity": ("SG", "Bx", "kg/m3"),
    "inclination": ("deg", "rad"),
    "temperature": ("C", "F", "K"),
    "battery": ("V", "mV"),
    "signal": ("dBm", "dBW"),
    "time": ("iso", "epoch_s", "epoch_ms"),
}


class Section(BaseModel):
    """Base of every section: unknown keys are faults, values are never changed after loading."""

    model_config = ConfigDict(extra="forbid", frozen=True, hide_input_in_errors=False)


class FieldSettings(Section):
    """One entry of a sensor's ``fields``: ``{path, unit}`` for json, ``{topic, unit}`` for number."""

    path: str | None = None
    topic: str | None = None
    unit: str | None = None


class SensorSettings(Section):
    """``[[sensor]]``."""

    id: Name
    kind: cellar_sensor.SensorKind
    topic: str = ""
    decoder: Literal["senml", "json", "number"]
    vessel: Name | None = None
    room: bool = False
    fields: dict[
        Literal["gravity", "inclination", "temperature", "battery", "signal", "time"], FieldSettings
    ] = {}
    calibration: tuple[tuple[float, float], ...] = ()
    compensated: bool = False
    calibrated_at_c: float = Field(20.0, ge=0, le=40)
    expansion_per_k: float = Field(0.0, ge=0, le=1e-3)
    gravity_sd: float | None = Field(None, gt=0, le=0.05)
    temperature_offset_c: float = Field(0.0, ge=-10, le=10)
    battery_low_v: float | None = Field(None, gt=0)
    silent_after: float = Field(3 * 3600.0, ge=60, description="seconds")

    @field_validator("topic")
    @classmethod
    def _no_wildcards(cls, value: str) -> str:
        if "+" in value or "#" in value or "\x00" in value:
            raise ValueError("an exact topic without + or #")
        return value

    @field_validator("fields", mode="before")
    @classmethod
    def _short_forms(cls, value: Any, info: Any) -> Any:
        """Accept ``gravity = "sg"`` (json: the path) and ``temperature = "C"`` (number: the unit)."""
        if not isinstance(value, dict):
            return value
        key = "unit" if info.data.get("decoder") == "number" else "path"
        return {name: {key: spec} if isinstance(spec, str) else spec for name, spec in value.items()}

    @model_validator(mode="after")
    def _fits_its_decoder(self) -> Self:
        if self.room == (self.vessel is not None):
            raise ValueError("either vessel = NAME or room = true")
        for name, spec in self.fields.items():
            if spec.unit is not None and spec.unit not in UNITS[name]:
                raise ValueError(f"fields.{name}.unit to be one of {', '.join(UNITS[name])}")
        if self.decoder == "json":
            self._json_complete()
        elif self.decoder == "number":
            self._number_complete()
        elif not self.topic:
            raise ValueError("a topic")
        if len(self.calibration) == 1:
            raise ValueError("calibration with at least two [inclination, gravity] points")
        return self

    def _json_complete(self) -> None:
        if not self.topic:
            raise ValueError("a topic")
        if not any(name in self.fields for name in ("gravity", "inclination", "temperature")):
            raise ValueError("fields naming where gravity, inclination or temperature stands in the payload")
        for name, spec in self.fields.items():
            if not spec.path:
                raise ValueError(f"fields.{name}.path (where it stands in the payload)")

    def _number_complete(self) -> None:
        if not self.fields:
            raise ValueError('fields, e.g. { temperature = { topic = "cellar/room/temp", unit = "C" } }')
        bare = [name for name, spec in self.fields.items() if not (spec.topic or self.topic)]
        if bare:
            raise ValueError(f"fields.{bare[0]}.topic")
        if "time" in self.fields:
            raise ValueError("no time among fields: a bare number has none, it is stamped on arrival")
        topics = [spec.topic or self.topic for spec in self.fields.values()]
        if len(set(topics)) != len(topics):
            raise ValueError("one topic per quantity: a bare number says only one thing")

    def sensor(self) -> cellar_sensor.Sensor:
        """Return it as the core knows it."""
        fields = {
            name: cellar_sensor.Field(
                cellar_sensor.Quantity(name), spec.path or "", spec.unit or DEFAULT_UNITS[name]
            )
            for name, spec in self.fields.items()
        }
        by_topic = (
            {spec.topic or self.topic: fields[name] for name, spec in self.fields.items()}
            if self.decoder == "number"
            else {}
        )
        return cellar_sensor.Sensor(
            id=self.id,
            kind=self.kind,
            decoder=self.decoder,
            vessel=self.vessel,
            room=self.room,
            topic=self.topic,
            topics=by_topic,
            fields=tuple(fields.values()),
            calibration=self.calibration,
            compensated=self.compensated,
            calibrated_at_c=self.calibrated_at_c,
            expansion_per_k=self.expansion_per_k,
            gravity_sd=self.gravity_sd,
            temperature_offset_c=self.temperature_offset_c,
            battery_low_v=self.battery_low_v,
            silent_after_s=self.silent_after,
        )
