"""The temperature swung far overnight."""

from mustwatch.alerting.phrasing import Numbers, Phrases


def say(n: Numbers) -> Phrases:
    worst = n.say("At most it swung by {worst_swing_celsius}.")
    return Phrases(
        what="large swing overnight",
        over="a calm night again",
        why=(
            n.say(
                "The must was between {lowest_celsius} and {highest_celsius} in one night, a swing of {swing_celsius}."
            ),
            worst if n.text("worst_swing_celsius") != n.text("swing_celsius") else "",
            n.say("It swung so on {nights_swung} of the last {of_nights} nights.")
            if (n.number("nights_swung") or 0) > 1
            else "",
        ),
        worst=worst,
        now=(n.say("{swing_celsius}, from {lowest_celsius} to {highest_celsius}"),),
        act="Wrap it, or move it where nights are milder.",
        lasts=False,
        next="Wrap the vessel, lift it off a cold floor, or move it where nights are milder; the night page shows "
        "when it happened.",
    )
