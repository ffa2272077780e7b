"""The must is too warm.

Source for the yeast's limit: references of the project, Eisenman: dies above 34.4 °C held for a few hours.
"""

from mustwatch.alerting.phrasing import Numbers, Phrases, at_worst, beyond_limit, how_far, short_limit
from mustwatch.watch.finding import Severity


def say(n: Numbers) -> Phrases:
    return Phrases(
        what=how_far(n.severity, "too warm"),
        over="no longer too warm",
        why=beyond_limit(n, "above"),
        worst=at_worst(n),
        now=short_limit(n, "highest"),
        act="Cool it now: a cooler room, a wet towel and a fan."
        if n.severity is Severity.URGENT
        else "Move it somewhere cooler.",
        lasts=n.severity is not Severity.NOTICE,
        next="Cool it now: into a cooler room, or a wet towel round the vessel and a fan on it. Yeast can die within "
        "hours above about 34 °C (93 °F)."
        if n.severity is Severity.URGENT
        else "Bring it somewhere cooler, or put a wet towel round the vessel. It makes heat of its own while it "
        "ferments, so look again in a few hours.",
        care="Warm must ferments fast and foams. Air a closed room before you go in: CO2 gathers low down and "
        "cannot be smelled.",
    )
