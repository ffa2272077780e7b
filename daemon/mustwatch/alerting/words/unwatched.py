"""A lot's vessel or sensor has gone from the configuration."""

from mustwatch.alerting.phrasing import Numbers, Phrases, capital


def say(n: Numbers) -> Phrases:
    return Phrases(
        what="nobody watches it any more",
        over="it is watched again",
        why=(capital(n.sentence("what")),),
        next="Name it in the configuration again, or write where the wine is now (mustwatch record rack).",
    )
