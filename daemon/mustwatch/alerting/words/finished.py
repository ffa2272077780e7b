"""The wine looks finished, and a hydrometer decides."""

from mustwatch.alerting.phrasing import BOTTLES, Numbers, Phrases, gravity_now


def say(n: Numbers) -> Phrases:
    return Phrases(
        what="looks finished",
        over="no longer looks finished",
        why=(
            gravity_now(n),
            n.say("Dry for this wine is {dry_gravity} or less."),
            n.say("Its checks have agreed for {hours_settled}."),
            n.say(
                "By the way it fell, the chance that more than {unfinished_gravity} is still to fall is "
                "{probability_unfinished}."
            ),
        ),
        now=(n.say("{gravity}"),),
        act="Check with a hydrometer on two days before you bottle.",
        next="Check with a hydrometer on two days, two or three days apart, and record both "
        "(mustwatch record measure). Bottling waits until they agree.",
        care=f"Don't bottle on this message alone. {BOTTLES}",
        then=(
            "Next: don't bottle. Check with a hydrometer; what is finished does not move.",
            "Take care: wine that is not finished can burst bottles.",
        ),
        then_in_short=" Don't bottle: check with a hydrometer first.",
    )
