"""Words: too cold."""

from mustwatch.alerting.phrasing import AT_WORST, Numbers, Phrases, beyond_limit
from mustwatch.watch.finding import Severity


def say(n: Numbers, severity: Severity) -> Phrases:
    """Say that the must is too cold."""
    return Phrases(
        what="much too cold" if severity is Severity.URGENT else "too cold",
        over="no longer too cold",
        why=beyond_limit(n, "below"),
        worst=n.say(AT_WORST),
        next="Bring it somewhere warmer or wrap it up, and warm it slowly, a few degrees a day: yeast that got cold "
        "settles, and the ferment can stop.",
        care="No open flame or bare heater against glass or plastic.",
    )
