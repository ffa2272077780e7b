"""A simulated lot as the watch sees it: observations and entries in time order, with the truth beside them.

Messages are decoded, placed and corrected by the daemon's own code (``ingest.decoders``, ``cellar.history``,
``cellar.correction``); only the store lies beside the way, and a check shows that it changes nothing.
"""

from dataclasses import dataclass

from mustsim.cellar import SimulatedCellar
from mustsim.sensors import Sensor as SimulatedSensor
from mustsim.truth import Done, Event, LotTruth
from mustwatch.cellar.book import Addition, Entry, Measurement, Racking, Start, What
from mustwatch.cellar.correction import Corrector
from mustwatch.cellar.history import BEGINNING_MS, CellarHistory, SensorStay, fold
from mustwatch.cellar.profile import Profile
from mustwatch.cellar.reading import Reading
from mustwatch.cellar.sensor import Sensor, SensorKind
from mustwatch.config.profiles import load_profile
from mustwatch.ingest.decoders import decoder_for
from mustwatch.must.calibration import fit
from mustwatch.must.density import gravity_20_from_reading
from mustwatch.watch.observation import Observation

BATTERY_LOW_V = 3.4
"""As a winemaker would configure it for a lithium cell (common practice)."""


@dataclass(frozen=True, slots=True)
class Case:
    """One lot: what is fed to its watch, in time order, and what was true."""

    name: str
    family: str
    seed: int
    lot: str
    vessel: str
    started_ms: int
    ends_ms: int
    profile: Profile
    events: tuple[Observation | Entry, ...]
    readings: tuple[Reading, ...]
    sensors: tuple[Sensor, ...]
    truth: LotTruth
    sensor_truth: tuple[Event, ...]
    done: tuple[Done, ...]
    drift_per_day: float
    noise: float
    """Of the least noisy float, 0 if there is none."""
    floats: tuple[SimulatedSensor, ...] = ()
    """What was simulated of its floats."""


def configured(sensor: SimulatedSensor) -> Sensor:
    """Return a simulated sensor as the configuration would describe it."""
    points: tuple[tuple[float, float], ...] = ()
    if sensor.reports == "inclination":
        gravities = [0.990 + 0.01 * i for i in range(13)]
        points = tuple(
            (sum(c * (1000.0 * (g - 1.0)) ** k for k, c in enumerate(sensor.inclines)), g) for g in gravities
        )
    return Sensor(
        sensor.id,
        SensorKind.FLOAT if sensor.kind == "float" else SensorKind.PROBE,
        "senml",
        vessel=sensor.vessel or None,
        room=not sensor.vessel,
        topic=sensor.base_topic,
        compensated=sensor.reports == "compensated",
        calibration=points,
        battery_low_v=BATTERY_LOW_V,
    )


def entries_of(cellar: SimulatedCellar, profile: str | None = None) -> list[Entry]:
    """Return what people wrote into the book, hydrometer readings corrected to 20/20 as ``record`` does."""
    entries = []
    for i, done in enumerate(cellar.truth.actions):
        what = _what(done, profile or cellar.truth.lots[done.lot].profile) if done.written else None
        if what is not None:
            entries.append(Entry(f"{done.lot}-{i}", done.lot, done.at_ms, done.at_ms, what))
    return entries


def _what(done: Done, profile: str) -> What | None:
    gravity = None
    if done.gravity_shown is not None and done.temperature_c is not None:
        gravity = gravity_20_from_reading(done.gravity_shown, done.temperature_c)
    if done.what == "start":
        return Start(done.vessel, profile, gravity, done.temperature_c, done.litres)
    if done.what == "measure":
        return Measurement(gravity, done.temperature_c, done.gravity_shown)
    if done.what == "rack" and done.to_vessel is not None:
        return Racking(
            done.to_vessel, done.vessel, gravity, done.temperature_c, done.litres, floats=done.floats
        )
    if done.what in ("sugar", "top-up", "nutrient", "sulfite"):
        litres = done.litres if done.what == "top-up" else None
        return Addition(done.what, done.amount, done.unit, done.why, litres, done.sugar_g)
    return None


def readings_of(cellar: SimulatedCellar, sensors: dict[str, Sensor]) -> list[Reading]:
    """Return every reading once, by ``observed_ms``, as the decoders make them of the messages."""
    decoders = {sensor.topic: decoder_for(sensor) for sensor in sensors.values()}
    found: dict[tuple[str, int], Reading] = {}
    for message in cellar.messages:
        outcome = decoders[message.topic](message.payload, message.topic, message.sent_ms)
        if isinstance(outcome, list):
            for reading in outcome:
                found.setdefault((reading.sensor, reading.observed_ms), reading)
    return sorted(found.values(), key=lambda r: (r.observed_ms, r.sensor))


def cases_of(cellar: SimulatedCellar) -> list[Case]:
    """Return the cases of a simulated cellar, one for each lot."""
    sensors = {s.id: configured(s) for s in cellar.scenario.sensors}
    entries = entries_of(cellar)
    stays = [SensorStay(s.id, s.vessel, BEGINNING_MS) for s in sensors.values()]
    history = fold(entries, stays)
    readings = readings_of(cellar, sensors)
    observations = _observations(readings, sensors, history)
    noises = {s.id: s.noise for s in cellar.scenario.sensors if s.kind == "float"}
    made = []
    for lot, truth in cellar.truth.lots.items():
        own = [e for e in entries if e.lot == lot]
        events: list[Observation | Entry] = [*own, *observations.get(lot, [])]
        events.sort(key=lambda e: (e.at_ms, isinstance(e, Observation)))
        vessels = {vessel for _, vessel in truth.stays}
        here = {s.id for s in cellar.scenario.sensors if s.vessel in vessels}
        made.append(
            Case(
                cellar.scenario.name,
                cellar.scenario.family or cellar.scenario.name,
                cellar.seed,
                lot,
                truth.stays[0][1],
                own[0].at_ms,
                cellar.ends_ms,
                load_profile(truth.profile),
                tuple(events),
                tuple(r for r in readings if r.sensor in here),
                tuple(s for s in sensors.values() if s.id in here),
                truth,
                tuple(e for e in cellar.truth.sensors if e.sensor in here),
                tuple(d for d in cellar.truth.actions if d.lot == lot and d.written),
                max((f.per_day for f in cellar.scenario.faults if f.kind == "drift"), default=0.0, key=abs),
                min((n for s, n in noises.items() if s in here), default=0.0),
                tuple(s for s in cellar.scenario.sensors if s.id in here and s.kind == "float"),
            )
        )
    return made


def _observations(
    readings: list[Reading], sensors: dict[str, Sensor], history: CellarHistory
) -> dict[str, list[Observation]]:
    correctors = {
        s.id: Corrector(s, [(BEGINNING_MS, fit(s.calibration))] if s.calibration else [])
        for s in sensors.values()
    }
    found: dict[str, list[Observation]] = {}
    for reading in readings:
        placement = history.place(reading.sensor, reading.observed_ms)
        if placement.lot is None or placement.vessel is None:
            continue
        gravity, sd, celsius = correctors[reading.sensor].correct(reading)
        said = reading.gravity if reading.gravity is not None else reading.inclination_deg
        found.setdefault(placement.lot, []).append(
            Observation(reading.observed_ms, reading.sensor, placement.vessel, gravity, sd, celsius, said)
        )
    return found
