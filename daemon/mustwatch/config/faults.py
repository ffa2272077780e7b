"""Faults of a configuration that only show once it is put together: profiles, calibrations, decoders."""

from mustwatch.alerting.rules import TargetsNotUniqueError
from mustwatch.config.plan import tell_rules
from mustwatch.config.profiles import ProfileError, load_profile, overridden, profile_names
from mustwatch.config.settings import Settings
from mustwatch.ingest.broker_settings import BrokerSettingsError
from mustwatch.ingest.decoders import UnfitSensorError
from mustwatch.ingest.intake import Intake
from mustwatch.must.calibration import CalibrationError, fit


def configuration_faults(settings: Settings) -> list[str]:
    """Return every fault, each one line: key, value, what was expected."""
    faults: list[str] = []
    for described in settings.sensor:
        sensor = described.sensor()
        key = f"sensor {sensor.id}"
        if sensor.calibration:
            try:
                fit(sensor.calibration)
            except CalibrationError as error:
                faults.append(f"{key}.calibration: {error}")
        try:
            Intake([sensor])
        except UnfitSensorError as error:
            faults.append(f"{key}: {error}")
    own = settings.cellar.profiles_dir
    if own is not None and not own.is_dir():
        faults.append(f"cellar.profiles_dir: {str(own)!r}; expected a folder of profile files")
        own = None
    for name in profile_names(own):
        try:
            load_profile(name, own)
        except ProfileError as error:
            faults.append(str(error))
    for lot, overrides in settings.lot.items():
        try:
            overridden(load_profile("default", own), overrides, {}, f"lot.{lot}")
        except ProfileError as error:
            faults.append(str(error))
    try:
        settings.mqtt.broker()
    except BrokerSettingsError as error:
        faults.append(f"mqtt: {error}")
    try:
        tell_rules(settings)
    except TargetsNotUniqueError as error:
        faults.append(f"tell: {error}")
    return faults
