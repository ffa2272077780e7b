"""A float reads a wine where the book has no lot."""

from mustwatch.alerting.phrasing import Numbers, Phrases
from mustwatch.watch.findings.lot_missing import FALLS


def say(n: Numbers) -> Phrases:
    return Phrases(
        what="wine where the book has no lot",
        over="its wine is in the book, or gone",
        why=(
            f"It reads {wine}." if (wine := wine_read(n)) else "",
            "Nobody watches a wine that is in no lot: not its warmth, nor whether it stops.",
        ),
        next="Begin a lot in that vessel, on its page or with mustwatch record start LOT --vessel VESSEL. If the float "
        "is elsewhere, write where: mustwatch record move SENSOR --to VESSEL.",
    )


def wine_read(n: Numbers) -> str:
    """Return what a float reads of a wine: ``1.056 and falling``; empty where the evidence lacks it."""
    rate = n.number("rate_per_day")
    is_falling = rate is not None and rate <= -FALLS
    return n.say("{gravity} and falling" if is_falling else "{gravity}")
