"""Words: battery low."""

from mustwatch.alerting.phrasing import Numbers, Phrases
from mustwatch.watch.finding import Severity


def say(n: Numbers, severity: Severity) -> Phrases:
    """Say that a battery is running out."""
    return Phrases(
        what="battery low",
        over="battery is well again",
        why=(n.say("It is at {battery_v}, the limit is {limit_v}.") or n.say("It is at {battery_v}."),),
        next="Charge or change it at the next chance, and sanitise the float before it goes back.",
    )
