"""Fermentation goes on, but slowly."""

from mustwatch.alerting.phrasing import Numbers, Phrases, gravity_now, pace, short_pace


def say(n: Numbers) -> Phrases:
    return Phrases(
        what="fermenting slowly",
        over="no longer too slow",
        why=(gravity_now(n), pace(n), n.say("So for {hours_slow} now.")),
        now=(n.say("{gravity}"), short_pace(n)),
        act="See that it is not too cool, and stir up the yeast gently.",
        next="Check that it is not too cool for its yeast, and stir up the yeast gently. "
        "Food for yeast, if any, by its own sheet and not late in the ferment.",
        care="Stirring makes it foam: leave room, and go slowly.",
    )
