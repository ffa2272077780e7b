"""The daemon's clock is wrong."""

from mustwatch.alerting.phrasing import Numbers, Phrases


def say(n: Numbers) -> Phrases:
    return Phrases(
        what="clock is wrong",
        over="clock is right again",
        why=("Readings are kept, and their times are corrected once the clock is right.",),
        next="Check that the network reaches a time server, or set the clock.",
    )
