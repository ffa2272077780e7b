"""Words: float adrift."""

from mustwatch.alerting.phrasing import Numbers, Phrases
from mustwatch.watch.finding import Severity


def say(n: Numbers, severity: Severity) -> Phrases:
    """Say that a float and the hydrometer disagree."""
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
