"""Floats that speak of a wine where the book has no lot: what they read, and what to write down."""

from collections.abc import Iterable, Iterator

from mustwatch.alerting.alert import Alert
from mustwatch.alerting.phrasing import Numbers
from mustwatch.alerting.rules import Units
from mustwatch.alerting.words.lot_missing import wine_read
from mustwatch.watch.findings.lot_missing import KIND


def unbooked_wines(alerts: Iterable[Alert], units: Units) -> Iterator[str]:
    """Yield a sentence for each float that is found to read a wine in no lot."""
    for alert in alerts:
        if alert.kind is not KIND:
            continue
        sensor, vessel = alert.subject.sensor or "a float", alert.subject.vessel
        reads = f"{sensor} reads {wine_read(Numbers(KIND.evidence, alert.figures(), units))}"
        if vessel is None:
            yield (
                f"{reads}, and the book has it out: where is it? "
                f"mustwatch record move {sensor!r} --to VESSEL, or begin a lot"
            )
        else:
            yield (
                f"{reads} in {vessel}, where the book has no lot: begin one? "
                f"mustwatch record start LOT --vessel {vessel!r}"
            )
