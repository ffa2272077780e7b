"""The must is too cold."""

from mustwatch.alerting.phrasing import Numbers, Phrases, at_worst, beyond_limit, how_far, short_limit
from mustwatch.watch.finding import Severity


def say(n: Numbers) -> Phrases:
    return Phrases(
        what=how_far(n.severity, "too cold"),
        over="no longer too cold",
        why=beyond_limit(n, "below"),
        worst=at_worst(n),
        now=short_limit(n, "lowest"),
        act="Move it somewhere warmer, or wrap it up.",
        lasts=n.severity is not Severity.NOTICE,
        next="Bring it somewhere warmer or wrap it up, and warm it slowly, a few degrees a day: yeast that got cold "
        "settles, and the ferment can stop.",
        care="No open flame or bare heater against glass or plastic.",
    )
