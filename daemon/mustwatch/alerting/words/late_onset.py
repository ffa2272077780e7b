"""Fermentation has not begun."""

from mustwatch.alerting.phrasing import Numbers, Phrases, gravity_now


def say(n: Numbers) -> Phrases:
    return Phrases(
        what="not fermenting yet",
        over="fermentation has begun",
        why=(
            gravity_now(n),
            n.say("{hours_since_start} after the start it has not begun to fall."),
        ),
        now=(n.say("{gravity}"), n.say("{celsius}")),
        act="Check with a hydrometer, and that it is warm enough.",
        next="Check with a hydrometer, and that the must is warm enough for its yeast. If nothing moves in another "
        "day, pitch fresh yeast started in a little warm must, by its sheet.",
        care="Look, smell and keep it covered: a must that does not ferment spoils within days.",
    )
