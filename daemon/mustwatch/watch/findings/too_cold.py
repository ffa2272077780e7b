"""Too cold: the must is colder than the band of profile and stage allows, for longer than the dwell."""

from dataclasses import dataclass

from mustwatch.watch.finding import About, Curve, Drawn, FindingKind
from mustwatch.watch.slot_view import SlotView
from mustwatch.watch.temperature_limit import BeyondLimit, TemperatureLimit

KIND = FindingKind(
    "too-cold",
    About.WINE,
    BeyondLimit,
    drawn=Drawn(Curve.TEMPERATURE, limit="limit_celsius"),
    is_early=True,
    is_nightly=True,
)


@dataclass(slots=True)
class TooCold(TemperatureLimit):
    """The must is colder than its band allows."""

    kinds = (KIND,)
    sign = -1.0

    def _limits(self, view: SlotView) -> tuple[float, float]:
        return view.band.low_c, view.band.urgent_low_c
