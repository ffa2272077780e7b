"""A wine's profile: the limits it is watched by and the steps from must to bottle. Data, read elsewhere."""

from dataclasses import dataclass, field
from enum import StrEnum

OR = " or "
"""Between the entries of which any fulfils a step."""


class Stage(StrEnum):
    """Where a lot stands between pitch and bottle, in this order."""

    PRIMARY = "primary"
    SECONDARY = "secondary"
    CLEARING = "clearing"
    MATURING = "maturing"
    BOTTLED = "bottled"


@dataclass(frozen=True, slots=True)
class Band:
    """A temperature band in °C: outside low..high is a warning, outside urgent_low..urgent_high is urgent."""

    low_c: float = 15.0
    high_c: float = 26.0
    urgent_low_c: float = 10.0
    urgent_high_c: float = 32.0


@dataclass(frozen=True, slots=True)
class Step:
    """One step of a profile, as data.

    Attributes:
        id: unique within the profile.
        do: what to do, one plain sentence in the imperative.
        why: why, one sentence.
        ready: what to have ready (each a short phrase; ``{litres}`` is replaced by the lot's volume).
        stage: the stage in which the step is due.
        leads_to: the stage the lot is in once the step is done, or None.
        after: the step's id, entry kind or ``"start"`` from which ``days`` count, or None.
        days: days after ``after`` when the step is due, or None.
        gravity: due when the estimate is at or below this gravity (20/20), or None.
        sugar_used: due when this share (0 to 1) of the sugar has fermented, what was added included, or None.
        finding: due when this finding is open (``rack-due``, ``finished``), or None.
        requires: what must be true first: names from ``cellar.rules`` (``finished``, ``checked``, ``dry`` …).
        done_by: the entry kind (or note tag) that fulfils the step; ``add:sulfite``, ``measure:free-so2`` ask for more;
            several are joined by ``OR``, and any of them does.
        repeat_days: repeated at this interval while the stage lasts, or None.
        until: the last stage in which the step still applies (default: ``stage`` alone).
        lasts_days: an advice rather than a task: told for this many days from when it is due, then over by itself.
        source: where the rule comes from (``common practice`` unless a source is known).
    """

    id: str
    do: str
    why: str
    stage: Stage
    ready: tuple[str, ...] = ()
    leads_to: Stage | None = None
    after: str | None = None
    days: float | None = None
    gravity: float | None = None
    sugar_used: float | None = None
    finding: str | None = None
    requires: tuple[str, ...] = ()
    done_by: str | None = None
    repeat_days: float | None = None
    until: Stage | None = None
    lasts_days: float | None = None
    source: str = "common practice"


@dataclass(frozen=True, slots=True)
class Profile:
    """The limits a wine is watched by. Defaults are the design's default profile (common practice).

    ``bands`` overrides ``band`` for a stage. Gravities are 20/20; hours and days are event time.
    """

    name: str = "default"
    title: str = "Table wine"
    band: Band = field(default_factory=Band)
    bands: tuple[tuple[Stage, Band], ...] = ()
    racking_gravity: float = 1.010
    dry_gravity: float = 0.998
    settled_hours: float = 48.0
    onset_hours: float = 72.0
    dwell_minutes: float = 30.0
    night_swing_c: float = 6.0
    fast_change_c_per_hour: float = 3.0
    racking_notice_hours: float = 0.0
    total_so2_limit_mg_per_l: float = 200.0
    steps: tuple[Step, ...] = ()
    rounds: tuple[Step, ...] = ()
    """Repeated steps of every wine of this kind, unless its own steps have one of the same id."""

    @property
    def repeated(self) -> tuple[Step, ...]:
        """Return what is told while a stage lasts: repeated steps, rounds, and pieces of advice."""
        return tuple(s for s in self.every_step if s.repeat_days is not None or s.lasts_days is not None)

    @property
    def every_step(self) -> tuple[Step, ...]:
        """Return the steps, and the rounds that none of them takes the place of."""
        own = {step.id for step in self.steps}
        return (*self.steps, *(step for step in self.rounds if step.id not in own))

    def step(self, step_id: str) -> Step | None:
        """Return a step or round by its id, or None."""
        return next((step for step in self.every_step if step.id == step_id), None)

    def band_in(self, stage: Stage) -> Band:
        """Return the temperature band that holds in a stage."""
        for of_stage, band in self.bands:
            if of_stage is stage:
                return band
        return self.band
