"""Words: sensor silent."""

from mustwatch.alerting.phrasing import Numbers, Phrases
from mustwatch.watch.finding import Severity


def say(n: Numbers, severity: Severity) -> Phrases:
    """Say that nothing was heard from a sensor."""
    return Phrases(
        what="nothing heard from",
        over="heard again",
        why=(
            n.say("Its last reading was {hours_silent} ago."),
            "While it is silent, nobody watches what it watched.",
        ),
        next="Check its battery, its distance to the access point and whether the broker runs; check the wine by "
        "hand meanwhile.",
    )
