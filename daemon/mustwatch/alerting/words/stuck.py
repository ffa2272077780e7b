"""Fermentation stopped with sugar left."""

from mustwatch.alerting.phrasing import BOTTLES, Numbers, Phrases, gravity_now


def say(n: Numbers) -> Phrases:
    return Phrases(
        what="fermentation has stopped early",
        over="not stuck any more",
        why=(
            gravity_now(n),
            n.say("It has not moved for {hours_settled}."),
            n.say("Dry for this wine would be {dry_gravity} or less."),
        ),
        now=(n.say("{gravity}"), n.say("{celsius}")),
        act="Check gravity and temperature by hand; if it is cool, warm it slowly.",
        next="Check gravity with a hydrometer and the temperature by hand. If it is cool, bring it slowly back to "
        "the middle of its band and stir up the yeast gently; if that does not help in two days, see the "
        "yeast's sheet on restarting.",
        care=f"Don't bottle it: there is sugar left, and it may start again. {BOTTLES}",
    )
