"""Words: clock wrong."""

from mustwatch.alerting.phrasing import Numbers, Phrases
from mustwatch.watch.finding import Severity


def say(n: Numbers, severity: Severity) -> Phrases:
    """Say that a clock is wrong: a sensor's, or the daemon's own."""
    return Phrases(
        what="clock is wrong",
        over="clock is right again",
        why=(
            n.say("It is off by {seconds_off}."),
            "Readings are kept, and their times are corrected once the clock is right.",
        ),
        next="Check that the network reaches a time server, or set the clock.",
    )
