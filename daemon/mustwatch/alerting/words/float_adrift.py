"""A float and the hydrometer disagree."""

from mustwatch.alerting.phrasing import Numbers, Phrases


def say(n: Numbers) -> Phrases:
    return Phrases(
        what="float disagrees with the hydrometer",
        over="float and hydrometer agree again",
        why=(
            n.say(
                "At the last check the float said {gravity_float}, the hydrometer {gravity_hydrometer}: "
                "{gravity_apart} apart."
            ),
            "The estimate follows the hydrometer.",
        ),
        next="Measure once more, with the bubbles stirred out of the sample. If they still disagree, clean the float "
        "or calibrate it anew (mustwatch calibrate).",
    )
