"""Nothing was heard from a sensor."""

from mustwatch.alerting.phrasing import Numbers, Phrases


def say(n: Numbers) -> Phrases:
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
