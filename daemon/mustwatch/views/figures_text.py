"""Numbers and instants as a person reads them, in the cellar's units and by the clock on its wall."""

from datetime import datetime, tzinfo

from mustwatch.must.sugar import brix_from_gravity


def local(iso_text: str | None, zone: tzinfo, pattern: str = "%a %d %b %H:%M") -> str:
    """Return an ISO instant as the clock on the wall shows it, or a dash."""
    if iso_text is None:
        return "–"
    return datetime.fromisoformat(iso_text).astimezone(zone).strftime(pattern)


def gravity_text(gravity: float | None, unit: str = "SG") -> str:
    """Return a gravity 20/20 in the cellar's unit, or a dash."""
    if gravity is None:
        return "–"
    if unit == "Bx":
        return f"{brix_from_gravity(gravity):.1f} °Bx"
    return f"{gravity:.4f}"


def temperature_text(celsius: float | None, unit: str = "C", *, difference: bool = False) -> str:
    """Return a temperature (or a difference of two) in the cellar's unit, or a dash."""
    if celsius is None:
        return "–"
    if unit == "F":
        return f"{celsius * 1.8 + (0 if difference else 32):.1f} °F"
    return f"{celsius:.1f} °C"
