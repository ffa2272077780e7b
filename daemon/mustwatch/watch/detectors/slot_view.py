"""What a detector is shown once per closed slot. One object is reused; a detector keeps nothing of it."""

from typing import Any

from mustwatch.cellar.additions import Purpose, brings_sugar, purpose_of
from mustwatch.cellar.book import Addition
from mustwatch.cellar.profile import Band, Profile, Stage
from mustwatch.watch.curve import Forecast
from mustwatch.watch.finding import Subject
from mustwatch.watch.lot_estimator import NEVER, LotEstimator


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

    __slots__ = (
        "at_ms",
        "band",
        "celsius",
        "change_per_hour",
        "disturbed_ms",
        "equal_checks_hours",
        "estimator",
        "fed_ms",
        "forecast",
        "gravity",
        "gravity_sd",
        "heard",
        "is_night",
        "is_stabilised",
        "profile",
        "rate",
        "rate_sd",
        "stage",
        "started_ms",
        "subject",
    )

    def __init__(self, subject: Subject, profile: Profile, started_ms: int, estimator: LotEstimator) -> None:
        self.subject = subject
        self.profile = profile
        self.started_ms = started_ms
        self.estimator = estimator
        self.at_ms = started_ms
        self.stage = Stage.PRIMARY
        self.band: Band = profile.band_in(Stage.PRIMARY)
        self.is_night = False
        self.celsius: float | None = None
        self.change_per_hour: float | None = None
        self.gravity: float | None = None
        self.gravity_sd = 0.0
        self.rate = 0.0
        self.rate_sd = 0.0
        self.heard = False
        self.equal_checks_hours: float | None = None
        self.forecast = Forecast()
        self.disturbed_ms = NEVER
        self.fed_ms = NEVER
        self.is_stabilised = False

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

    def snapshot(self) -> list[Any]:
        """Return as a JSON-able list what one slot hands on to the next."""
        kept = [self.gravity, self.gravity_sd, self.rate, self.rate_sd, self.disturbed_ms]
        return [*kept, self.equal_checks_hours, self.stage.value, self.fed_ms, self.is_stabilised]

    def load(self, state: list[Any], forecast: Forecast) -> None:
        """Take over the state a snapshot described."""
        self.gravity, self.gravity_sd, self.rate, self.rate_sd, self.disturbed_ms = state[:5]
        self.equal_checks_hours = state[5]
        self.stage = Stage(state[6])
        self.fed_ms, self.is_stabilised = state[7:]
        self.band = self.profile.band_in(self.stage)
        self.forecast = forecast
