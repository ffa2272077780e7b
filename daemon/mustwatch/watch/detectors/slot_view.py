"""What a detector is shown once per closed slot. One object is reused; a detector keeps nothing of it."""

from mustwatch.cellar.profile import Band, Profile, Stage
from mustwatch.watch.estimate import Expected
from mustwatch.watch.finding import Subject
from mustwatch.watch.float_track import FloatTrack

NEVER = -(2**62)


class SlotView:
    """The lot as the watch sees it at the end of a slot.

    Attributes:
        at_ms: the end of the slot.
        subject: the lot and the vessel it sits in.
        stage, band, profile: the limits that hold.
        started_ms: when the lot began.
        celsius: the must's temperature in this slot, or None.
        change_per_hour: its change over the last hour, or None.
        gravity, gravity_sd, rate, rate_sd: the estimate; None before the first gravity.
        heard: whether a float that is believed spoke, or a hydrometer check was made, in this slot.
        first_gravity: gravity at the start; ``lowest_rate`` the steepest fall so far, per day (negative).
        onset_ms: when fermentation began, NEVER if it did not.
        end_gravity, end_sd: where this lot should end.
        remaining: the most the gravity may still fall by its own curve (95 %), or None while unknown.
        quiet_hours: for how long gravity has been settled (see ``settling``).
        by_hand: True when no float has spoken for long: the estimate rests on hydrometer checks.
        rack, finish: the forecast.
        floats: the floats by sensor; ``checks``: by sensor, float minus hydrometer, its standard error, and the
            hydrometer's gravity, of a check made in this slot.
        disturbed_ms: when the wine was last racked or something was added, NEVER if never.
    """

    __slots__ = (
        "at_ms",
        "band",
        "by_hand",
        "celsius",
        "change_per_hour",
        "checks",
        "disturbed_ms",
        "end_gravity",
        "end_sd",
        "finish",
        "first_gravity",
        "floats",
        "gravity",
        "gravity_sd",
        "heard",
        "local_minute",
        "lowest_rate",
        "onset_ms",
        "profile",
        "quiet_hours",
        "rack",
        "rate",
        "rate_sd",
        "remaining",
        "stage",
        "started_ms",
        "subject",
    )

    def __init__(self, subject: Subject, profile: Profile, started_ms: int) -> None:
        self.subject = subject
        self.profile = profile
        self.started_ms = started_ms
        self.at_ms = started_ms
        self.stage = Stage.PRIMARY
        self.band: Band = profile.band_in(Stage.PRIMARY)
        self.celsius: float | None = None
        self.change_per_hour: float | None = None
        self.gravity: float | None = None
        self.gravity_sd = 0.0
        self.rate = 0.0
        self.rate_sd = 0.0
        self.heard = False
        self.first_gravity: float | None = None
        self.lowest_rate = 0.0
        self.onset_ms = NEVER
        self.end_gravity: float | None = None
        self.end_sd = 0.0
        self.remaining: float | None = None
        self.quiet_hours = 0.0
        self.by_hand = False
        self.rack: Expected | None = None
        self.finish: Expected | None = None
        self.floats: dict[str, FloatTrack] = {}
        self.checks: dict[str, tuple[float, float, float]] = {}
        self.disturbed_ms = NEVER
        self.local_minute = 0
