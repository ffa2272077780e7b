"""Numbers and instants as a person reads them, in the cellar's units and by the clock on its wall."""

from datetime import datetime, tzinfo

from mustwatch.cellar.measures import Measures


def local(iso_text: str | None, zone: tzinfo, pattern: str = "%a %d %b %H:%M") -> str:
    """Return an ISO instant as the clock on the wall shows it, or a dash."""
    if iso_text is None:
        return "–"
    return datetime.fromisoformat(iso_text).astimezone(zone).strftime(pattern)


def temperature_text(celsius: float | None, unit: str = "C", *, difference: bool = False) -> str:
    """Return a temperature (or a difference of two) in the cellar's unit, or a dash."""
    if celsius is None:
        return "–"
    measures = Measures(temperature_unit="F" if unit == "F" else "C")
    return measures.warmth(celsius) if difference else measures.temperature(celsius)
