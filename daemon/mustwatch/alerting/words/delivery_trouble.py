"""Messages to somebody do not arrive."""

from mustwatch.alerting.phrasing import Numbers, Phrases


def say(n: Numbers) -> Phrases:
    return Phrases(
        what="messages do not get through",
        over="messages get through again",
        why=(
            n.say("To {targets}: tried for {hours_failing}.") or n.say("To {targets}."),
            n.sentence("error"),
            "Messages are kept and tried again.",
        ),
        next="Check the network and that address in the configuration (mustwatch check).",
    )
