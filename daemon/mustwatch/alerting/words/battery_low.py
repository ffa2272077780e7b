"""A battery is running out."""

from mustwatch.alerting.phrasing import Numbers, Phrases


def say(n: Numbers) -> Phrases:
    return Phrases(
        what="battery low",
        over="battery is well again",
        why=(n.say("It is at {battery_v}, the limit is {limit_v}.") or n.say("It is at {battery_v}."),),
        next="Charge or change it at the next chance, and sanitise the float before it goes back.",
    )
