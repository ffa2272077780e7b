"""What there is to say of each kind of finding: what it is, why, what to do next, and where to take care."""

from collections.abc import Callable, Mapping

from mustwatch.alerting import gear_phrases, wine_phrases
from mustwatch.alerting.figures import Figures
from mustwatch.alerting.phrasing import Phrases
from mustwatch.watch.finding import FindingKind, Severity

OF_KIND: Mapping[FindingKind, Callable[[Figures, Severity], Phrases]] = {
    FindingKind.RACK_DUE: wine_phrases.rack_due,
    FindingKind.FINISHED: wine_phrases.finished,
    FindingKind.STUCK: wine_phrases.stuck,
    FindingKind.SLUGGISH: wine_phrases.sluggish,
    FindingKind.LATE_ONSET: wine_phrases.late_onset,
    FindingKind.REFERMENTING: wine_phrases.refermenting,
    FindingKind.TOO_WARM: wine_phrases.too_warm,
    FindingKind.TOO_COLD: wine_phrases.too_cold,
    FindingKind.FAST_CHANGE: wine_phrases.fast_change,
    FindingKind.NIGHT_SWING: wine_phrases.night_swing,
    FindingKind.FLOAT_FROZEN: gear_phrases.float_frozen,
    FindingKind.FLOAT_ADRIFT: gear_phrases.float_adrift,
    FindingKind.LOT_MISSING: gear_phrases.lot_missing,
    FindingKind.SENSOR_SILENT: gear_phrases.sensor_silent,
    FindingKind.BATTERY_LOW: gear_phrases.battery_low,
    FindingKind.CLOCK_WRONG: gear_phrases.clock_wrong,
    FindingKind.STORAGE_TROUBLE: gear_phrases.storage_trouble,
    FindingKind.DELIVERY_TROUBLE: gear_phrases.delivery_trouble,
    FindingKind.BROKER_TROUBLE: gear_phrases.broker_trouble,
    FindingKind.UNWATCHED: gear_phrases.unwatched,
}
