"""The wine has come down to its racking gravity."""

from mustwatch.alerting.phrasing import BUNG, Numbers, Phrases, gravity_now, pace, short_pace


def say(n: Numbers) -> Phrases:
    return Phrases(
        what="racking is near" if n.text("hours_ahead") else "ready to rack",
        over="no longer due for racking",
        why=(
            gravity_now(n),
            pace(n),
            n.say("Racking is due at {racking_gravity}, expected in about {hours_ahead}.")
            or n.say("It has come down to {racking_gravity}, where this wine is racked."),
            n.say(
                "Nothing could be believed for {hours_unheard}: this follows from how it fell before that."
            ),
        ),
        now=(n.say("{gravity}"), short_pace(n)),
        act="Have a clean, closed vessel ready." if n.text("hours_ahead") else "Rack it off the gross lees.",
        next="Rack it off the gross lees into a clean, closed vessel with as little splashing as possible, "
        "then note gravity and temperature (mustwatch record rack).",
        care=f"{BUNG} A full carboy is heavy and glass breaks: don't lift it wet or alone.",
    )
