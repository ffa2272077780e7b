"""One lot through time: it ferments in its vessel, in its room, and people do things to it."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from mustsim.density import FloatArray, must_gravity, shown_gravity
from mustsim.ferment import CO2_G_PER_G, HEAT_J_PER_G, Ferment, rate_of_gravity
from mustsim.scenario import Action, Deed, Lot, Scenario
from mustsim.truth import MS_PER_H, Done, Grid, LotTruth, dry_gravity, lot_events
from mustsim.vessel import Vessel, temperature_after

YEAST_KEPT_IN_RACKING = 0.5
"""Share of living yeast that comes along; the rest stays with the lees. Own estimate."""
COOLING_IN_RACKING = 0.08
"""Share of its difference from the room that the wine loses on its way. Own estimate."""
GETS_UP, GOES_TO_BED = 8.0, 21.5
"""Local hours between which people do something about their wine."""
ETHANOL_G_PER_L_PERCENT = 7.8924


@dataclass(slots=True)
class _Pending:
    """An action that waits for its hour (None: for gravity to fall far enough)."""

    action: Action
    hour: float | None


class _Run:
    """The state of one lot while it is stepped."""

    def __init__(
        self,
        scenario: Scenario,
        lot: Lot,
        rooms: Mapping[str, FloatArray],
        grid: Grid,
        rng: np.random.Generator,
    ) -> None:
        self.scenario, self.lot, self.rng, self.grid = scenario, lot, rng, grid
        self.rooms = {name: values.tolist() for name, values in rooms.items()}
        self.ferment = Ferment(lot.must, lot.yeast)
        self.temperature_c = lot.pitch_c
        self.litres = lot.litres
        self.vessel: Vessel = scenario.vessel(lot.vessel)
        self.first = int(np.searchsorted(grid.hours, 24.0 * lot.from_day))
        self.begins_ms = grid.ms(float(grid.hours[self.first]))
        self.stays = [(self.begins_ms, lot.vessel)]
        self.pending = [
            _Pending(a, None if a.day is None else self._awake(a, 24.0 * a.day))
            for a in scenario.actions
            if a.lot in (lot.name, "")
        ]
        self.lid_off: tuple[float, Action] | None = None
        self.done: list[Done] = [self._started()]

    def _started(self) -> Done:
        lot = self.lot
        return Done(
            self.begins_ms, lot.name, "start", True, lot.vessel, litres=lot.litres,
            gravity_shown=self._hydrometer(), temperature_c=round(2 * lot.pitch_c) / 2,
        )  # fmt: skip

    def _hydrometer(self) -> float:
        """Return what a hydrometer shows in the sample as it is, read to 0.001 and rarely to better."""
        shown = shown_gravity(np.array([self.ferment.gravity]), np.array([self.temperature_c]))
        return round(float(shown[0]) + float(self.rng.normal(0.0, 0.0004)), 3)

    def _awake(self, action: Action, hour: float) -> float:
        """Return the hour, or the next morning's if it is at night: people sleep, yeast does not."""
        local = (self.grid.first_local_hour + hour) % 24.0
        if action.deed is Deed.WAKE or GETS_UP <= local < GOES_TO_BED:
            return hour
        return hour + (GETS_UP - local) % 24.0

    def around(self, index: int, hour: float) -> tuple[float, float]:
        """Return the temperature around the vessel and the factor on its heat loss."""
        room = self.rooms[self.vessel.room or self.scenario.rooms[0].name][index]
        if self.lid_off is not None:
            until, action = self.lid_off
            if hour < until:
                return (room if action.around_c is None else action.around_c), action.loss_factor
            self.lid_off = None
        return room, 1.0

    def act(self, index: int, hour: float) -> None:
        """Do whatever is due."""
        gravity = self.ferment.gravity
        due = []
        for waiting in self.pending:
            at_gravity = waiting.action.at_gravity
            if waiting.hour is None and at_gravity is not None and gravity <= at_gravity:
                waiting.hour = self._awake(waiting.action, hour + waiting.action.after_h)
            if waiting.hour is not None and waiting.hour <= hour:
                due.append(waiting)
        for waiting in due:
            self.pending.remove(waiting)
            self._do(waiting.action, index, hour)

    def _do(self, action: Action, index: int, hour: float) -> None:
        at_ms = self.grid.ms(hour)
        celsius = round(2 * self.temperature_c) / 2
        done = Done(
            at_ms, self.lot.name, action.deed.value, action.written, self.vessel.name,
            gravity_shown=self._hydrometer(), temperature_c=celsius, why=action.why,
        )  # fmt: skip
        ferment = self.ferment
        if action.deed is Deed.RACK:
            done = self._rack(action, index, at_ms, done)
        elif action.deed is Deed.SUGAR:
            ferment.sugar += action.sugar_g_per_l
            grams = action.sugar_g_per_l * self.litres
            done = done._replace(amount=round(grams), unit="g", sugar_g=round(grams))
        elif action.deed is Deed.TOP_UP:
            done = self._top_up(action, done)
        elif action.deed is Deed.NUTRIENT:
            ferment.nitrogen += action.yan_mg_per_l / 1000.0
            done = done._replace(amount=round(action.yan_mg_per_l * self.litres / 1000.0 / 0.21, 1), unit="g")
        elif action.deed is Deed.SULFITE:
            done = done._replace(amount=round(0.05 * self.litres / 0.576, 1), unit="g")
        elif action.deed is Deed.LID_OFF:
            self.lid_off = (hour + action.hours, action)
        elif action.deed in (Deed.RESTART, Deed.WAKE):
            ferment.wake(action.living_g_per_l)
        self.done.append(done)

    def _rack(self, action: Action, index: int, at_ms: int, done: Done) -> Done:
        room = self.rooms[self.vessel.room or self.scenario.rooms[0].name][index]
        self.temperature_c += COOLING_IN_RACKING * (room - self.temperature_c)
        self.ferment.living *= YEAST_KEPT_IN_RACKING
        self.litres = max(0.5, self.litres - action.litres)
        self.vessel = self.scenario.vessel(action.to)
        self.stays.append((at_ms, action.to))
        return done._replace(
            to_vessel=action.to, litres=round(self.litres, 1), floats=action.floats, out_min=action.out_min
        )

    def _top_up(self, action: Action, done: Done) -> Done:
        ethanol = action.of_abv_percent * ETHANOL_G_PER_L_PERCENT
        of_water = float(must_gravity(np.zeros(1), np.array([ethanol]), 0.0)[0])
        extract = max(0.0, (action.of_gravity - of_water) / 0.000384) if ethanol else 0.0
        sugar = 0.0 if ethanol else max(0.0, (action.of_gravity - 1.0) / 0.000384)
        self.ferment.dilute(action.litres / self.litres, sugar, ethanol, extract)
        self.litres += action.litres
        return done._replace(litres=action.litres, amount=action.litres, unit="L")


def run_lot(
    scenario: Scenario, lot: Lot, rooms: Mapping[str, FloatArray], grid: Grid, rng: np.random.Generator
) -> tuple[LotTruth, list[Done]]:
    """Step one lot through the scenario and return its truth and what people did to it.

    Args:
        scenario, lot: which lot of which scenario.
        rooms: temperature of each room on the grid, °C.
        rng: for what people read off their hydrometers.
    """
    run = _Run(scenario, lot, rooms, grid, rng)
    step_h = scenario.step_min / 60.0
    rows = []
    ferment = run.ferment
    for index, hour in enumerate(grid.hours[run.first :].tolist(), start=run.first):
        if run.pending:
            run.act(index, hour)
        uptake = ferment.uptake(run.temperature_c)
        rows.append((ferment.sugar, ferment.ethanol, ferment.extract, uptake, run.temperature_c, run.litres))
        around_c, loss_factor = run.around(index, hour)
        heat_w = HEAT_J_PER_G / 3600.0 * uptake * run.litres
        after = temperature_after(
            run.vessel, run.litres, run.temperature_c, around_c, heat_w, step_h, loss_factor
        )
        ferment.step(step_h, 0.5 * (after + run.temperature_c))
        run.temperature_c = after
    return _truth(lot, run, np.array(rows)), run.done


def _truth(lot: Lot, run: _Run, rows: FloatArray) -> LotTruth:
    sugar, ethanol, extract, uptake, temperature, litres = rows.T
    yielded = run.ferment.ethanol_yield
    truth = LotTruth(
        lot=lot.name,
        profile=lot.profile,
        racking_gravity=lot.racking_gravity,
        band_c=lot.band_c,
        t_ms=run.grid.begins_ms + np.round(run.grid.hours[run.first :] * MS_PER_H).astype(np.int64),
        gravity=must_gravity(sugar, ethanol, extract),
        rate_per_day=rate_of_gravity(uptake, ethanol, yielded),
        temperature_c=np.ascontiguousarray(temperature),
        sugar_g_per_l=np.ascontiguousarray(sugar),
        ethanol_g_per_l=np.ascontiguousarray(ethanol),
        extract_g_per_l=np.ascontiguousarray(extract),
        co2_g_per_h=CO2_G_PER_G * uptake * litres,
        heat_w=HEAT_J_PER_G / 3600.0 * uptake * litres,
        litres=np.ascontiguousarray(litres),
        stays=tuple(run.stays),
        dry_gravity=dry_gravity(float(sugar[-1]), float(ethanol[-1]), float(extract[-1]), yielded),
    )
    return replace(truth, events=lot_events(truth, lot.dwell_min, lot.dry_at))
