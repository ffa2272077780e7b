"""The temperature moves fast."""

from mustwatch.alerting.phrasing import Numbers, Phrases


def say(n: Numbers) -> Phrases:
    change = n.number("celsius_per_hour")
    way = "changing" if change is None else "rising" if change > 0 else "falling"
    steepest = n.number("steepest_celsius_per_hour")
    told = way if steepest is None else "rising" if steepest > 0 else "falling"
    fastest = n.say("At its fastest it was {steepest_celsius_per_hour}.")
    return Phrases(
        what=f"temperature {told} fast",
        over="temperature steady again",
        why=(
            n.say("The must is at {celsius}."),
            n.say(f"It is {way} by {{celsius_per_hour}}."),
            fastest if steepest != change else "",
        ),
        worst=fastest,
        now=(n.say("{celsius}"), n.say(f"{way} {{celsius_per_hour}}")),
        act="See what changed: a door, a heater, the sun, the probe.",
        next="See what changed: a door, a heater, the sun on the vessel, a probe that fell out of the must.",
    )
