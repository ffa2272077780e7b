"""What a detector is shown once per closed slot. One object is reused; a detector keeps nothing of it."""

from dataclasses import dataclass, field

from mustwatch.cellar.additions import Purpose, brings_sugar, purpose_of
from mustwatch.cellar.book import Addition
from mustwatch.cellar.instant import HOUR_MS
from mustwatch.cellar.profile import Band, Profile, Stage
from mustwatch.watch.curve import Forecast
from mustwatch.watch.finding import Subject
from mustwatch.watch.lot_estimator import NEVER, LotEstimator
from mustwatch.watch.memory import TRANSIENT

HANDLED_MS = 4 * HOUR_MS
"""After a racking or an addition the change of temperature is what was done, not what happened."""


@dataclass(slots=True)
class SlotView:
    """The lot as the watch sees it at the end of a slot.

    Attributes:
        at_ms: the end of the slot.
        subject: the lot and the vessel it sits in.
        stage, band, profile: the limits that hold.
        started_ms: when the lot began.
        is_night: whether the slot began in the cellar's night.
        celsius: the must's temperature in this slot, or None.
        change_per_hour: its change over the last hour, or None.
        gravity, gravity_sd, rate, rate_sd: the estimate; gravity is None before the first one.
        heard: whether a believed float spoke, or a hydrometer check was made, in this slot.
        estimator: what else is known: onset, tail, floats, checks (read only).
        equal_checks_hours: over how many hours the hydrometer checks are equal; None where a float is believed.
        forecast: when racking is due and the ferment ends.
        disturbed_ms: when the wine was last racked or something was added, NEVER if never.
        fed_ms: when sugar was last given to living yeast, NEVER if never; is_stabilised: whether the yeast has been
            kept from fermenting what is added.
    """

    subject: Subject
    profile: Profile = field(metadata=TRANSIENT)
    started_ms: int
    estimator: LotEstimator = field(metadata=TRANSIENT)
    at_ms: int = field(metadata=TRANSIENT, init=False)
    stage: Stage = Stage.PRIMARY
    band: Band = field(metadata=TRANSIENT, init=False)
    is_night: bool = field(metadata=TRANSIENT, default=False)
    celsius: float | None = field(metadata=TRANSIENT, default=None)
    change_per_hour: float | None = field(metadata=TRANSIENT, default=None)
    gravity: float | None = None
    gravity_sd: float = 0.0
    rate: float = 0.0
    rate_sd: float = 0.0
    heard: bool = field(metadata=TRANSIENT, default=False)
    equal_checks_hours: float | None = None
    forecast: Forecast = field(default_factory=Forecast)
    disturbed_ms: int = NEVER
    fed_ms: int = NEVER
    is_stabilised: bool = False

    def __post_init__(self) -> None:
        self.at_ms = self.started_ms
        self.band = self.profile.band_in(self.stage)

    def add(self, addition: Addition, at_ms: int) -> None:
        """Note that something was added."""
        self.disturbed_ms = at_ms
        purpose = purpose_of(addition)
        if purpose is Purpose.STABILISE:
            self.is_stabilised = True
        elif purpose is Purpose.YEAST:
            self.is_stabilised = False
        elif brings_sugar(addition) and not self.is_stabilised:
            self.fed_ms = at_ms
