"""A finished wine moves again."""

from mustwatch.alerting.phrasing import BUNG, Numbers, Phrases, gravity_now, pace, short_pace
from mustwatch.watch.finding import Severity


def say(n: Numbers) -> Phrases:
    bottled = n.severity is Severity.URGENT
    return Phrases(
        what="fermenting again",
        over="has settled again",
        why=(
            gravity_now(n),
            pace(n),
            n.say("It has fallen by {fall_since_finished_gravity} since it had settled."),
        ),
        now=(n.say("{gravity}"), short_pace(n)),
        act="Put its bottles into a closed box somewhere cold, and leave them alone."
        if bottled
        else "Don't bottle it; check with a hydrometer and see that the airlock works.",
        next="Bottles of it: into a closed, sturdy box somewhere cold, and leave them alone until you know more."
        if bottled
        else "Don't bottle it. Check with a hydrometer, see that the airlock works, and wait until it has settled "
        "again.",
        care="Bottles can burst, even days later: stay away from them, and cover eyes and hands if you must touch "
        "one."
        if bottled
        else f"If any of it is in bottles already, they can burst: keep them cold, boxed and away from people. {BUNG}",
    )
