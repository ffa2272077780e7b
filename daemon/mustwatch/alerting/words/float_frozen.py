"""A float, or a probe, repeats one value."""

from mustwatch.alerting.phrasing import Numbers, Phrases


def say(n: Numbers) -> Phrases:
    is_probe = n.number("gravity") is None and n.number("celsius") is not None
    return Phrases(
        what="probe repeats one value" if is_probe else "float repeats one value",
        over="probe moves again" if is_probe else "float moves again",
        why=(
            n.say(
                "It has said {celsius} for {hours_constant}, longer than it ever did."
                if is_probe
                else "It has said {gravity} for {hours_constant}, longer than it ever did."
            ),
            "Until it moves, nobody knows how warm the must is."
            if is_probe
            else "Until it moves, its gravity is not believed.",
        ),
        next="See whether it hangs in the must, is connected and has power; measure by hand meanwhile."
        if is_probe
        else "See whether it is stuck in foam or against the wall, free it with clean hands, and check with a "
        "hydrometer meanwhile.",
    )
