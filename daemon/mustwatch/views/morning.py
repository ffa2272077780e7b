"""The morning's message: how the night was, and the next one or two steps of every lot."""

from typing import NamedTuple
from zoneinfo import ZoneInfo

from mustwatch.config.settings import Settings
from mustwatch.store.store import Store
from mustwatch.views.cellar import cellar_view
from mustwatch.views.figures_text import temperature_text
from mustwatch.views.night import night_view
from mustwatch.views.night_text import night_lines


class Morning(NamedTuple):
    """The message, and the night it is about (its date, by which it is told once)."""

    night: str
    title: str
    body: str


def morning(store: Store, settings: Settings, now_ms: int) -> Morning:
    """Write the morning's message about the night that ended last before an instant."""
    zone = ZoneInfo(settings.cellar.timezone)
    night = night_view(store, settings, now_ms)
    cellar = cellar_view(store, settings, now_ms)
    unit = settings.cellar.temperature_unit
    swings = [row["swing"] for row in night["vessels"] if row["lot"] and row["swing"] is not None]
    outside = [row["vessel"] for row in night["vessels"] if row["minutes_above"] or row["minutes_below"]]
    title = f"Good morning from {settings.cellar.name}: "
    if outside:
        title += f"out of its band overnight: {', '.join(outside)}"
    elif swings:
        title += f"a quiet night, at most {temperature_text(max(swings), unit, difference=True)} of swing"
    else:
        title += "no temperatures were heard overnight"
    lines = night_lines(night, unit, zone)
    for row in cellar["vessels"]:
        if row["lot"] is not None and row["next"]:
            steps = "; ".join(s["do"] + (f" ({s['when']})" if s["when"] else "") for s in row["next"])
            lines.append(f"Next for {row['lot']} in {row['vessel']}: {steps}")
        lines += [f"  remember: {reminder}" for reminder in row.get("reminders", ())]
    lines += [f"Mind: {caution}" for caution in cellar["cautions"]]
    open_alerts = [alert["summary"] for alert in cellar["alerts"]]
    if open_alerts:
        lines += ["Still open:", *(f"  {summary}" for summary in open_alerts)]
    return Morning(night["night"], title, "\n".join(lines))
