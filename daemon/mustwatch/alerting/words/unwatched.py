"""Words: unwatched."""

from mustwatch.alerting.phrasing import Numbers, Phrases, capital
from mustwatch.watch.finding import Severity


def say(n: Numbers, severity: Severity) -> Phrases:
    """Say that a lot's vessel or sensor has gone from the configuration."""
    return Phrases(
        what="nobody watches it any more",
        over="it is watched again",
        why=(capital(n.sentence("what")),),
        next="Name it in the configuration again, or write where the wine is now (mustwatch record rack).",
    )
