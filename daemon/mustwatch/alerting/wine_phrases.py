"""What there is to say of a wine: one function per kind of finding, each saying only what its evidence carries.

Advice is common practice unless a source is named; a yeast's or product's own sheet takes precedence over it.
"""

from mustwatch.alerting.figures import Figures, hours
from mustwatch.alerting.phrasing import Phrases, sentence, sentences
from mustwatch.watch.finding import Severity

BUNG = "Close it with an airlock, never with a tight bung: CO2 must get out."
CO2 = "Air a closed room before you go in: CO2 gathers low down and cannot be smelled."
LIFTING = "A full carboy is heavy and glass breaks: don't lift it wet or alone."
BOTTLES = "Wine that is not finished can burst bottles."


def _gravity_now(f: Figures) -> str:
    gravity, celsius = f.gravity("gravity"), f.celsius("celsius")
    if gravity is None:
        return sentence("It is {celsius}.", celsius=celsius)
    return f"Gravity is {gravity}" + (f" at {celsius}." if celsius else ".")


def _pace(f: Figures) -> str:
    rate = f.number("rate_per_day")
    if rate is None:
        return ""
    change = f.gravity_change("rate_per_day")
    if change is None or float(change.split()[0]) == 0.0:
        return "It is not moving."
    return f"It {'falls' if rate < 0 else 'rises'} by {change} a day."


def rack_due(f: Figures, severity: Severity) -> Phrases:
    """Say that the wine has come down to its racking gravity."""
    ahead = f.hours("hours_ahead")
    due = f.gravity("racking_gravity")
    reached = sentence(
        "Racking is due at {due}, expected in about {ahead}.", due=due, ahead=ahead
    ) or sentence("It has come down to {due}, where this wine is racked.", due=due)
    return Phrases(
        what="racking is near" if ahead else "ready to rack",
        over="no longer due for racking",
        why=sentences(
            _gravity_now(f),
            _pace(f),
            reached,
            sentence(
                "Nothing could be believed for {unheard}: this follows from how it fell before that.",
                unheard=f.hours("hours_unheard"),
            ),
        ),
        next="Rack it off the gross lees into a clean, closed vessel with as little splashing as possible, "
        "then note gravity and temperature (mustwatch record rack).",
        care=f"{BUNG} {LIFTING}",
    )


def finished(f: Figures, severity: Severity) -> Phrases:
    """Say that the wine looks finished, and that a hydrometer decides."""
    return Phrases(
        what="looks finished",
        over="no longer looks finished",
        why=sentences(
            _gravity_now(f),
            sentence("Dry for this wine is {dry} or less.", dry=f.gravity("dry_gravity")),
            sentence("Its checks have agreed for {settled}.", settled=f.hours("hours_settled")),
            sentence(
                "By the way it fell, the chance that more than {rest} is still to fall is {chance}.",
                rest=f.gravity_change("unfinished_gravity"),
                chance=f.percent("probability_unfinished"),
            ),
        ),
        next="Check with a hydrometer on two days, two or three days apart, and record both "
        "(mustwatch record measure). Bottling waits until they agree.",
        care=f"Don't bottle on this message alone. {BOTTLES}",
    )


def stuck(f: Figures, severity: Severity) -> Phrases:
    """Say that fermentation stopped with sugar left."""
    return Phrases(
        what="fermentation has stopped early",
        over="not stuck any more",
        why=sentences(
            _gravity_now(f),
            sentence("It has not moved for {settled}.", settled=f.hours("hours_settled")),
            sentence("Dry for this wine would be {dry} or less.", dry=f.gravity("dry_gravity")),
        ),
        next="Check gravity with a hydrometer and the temperature by hand. If it is cool, bring it slowly back to "
        "the middle of its band and stir up the yeast gently; if that does not help in two days, see the "
        "yeast's sheet on restarting.",
        care=f"Don't bottle it: there is sugar left, and it may start again. {BOTTLES}",
    )


def sluggish(f: Figures, severity: Severity) -> Phrases:
    """Say that fermentation goes on, but slowly."""
    return Phrases(
        what="fermenting slowly",
        over="no longer too slow",
        why=sentences(_gravity_now(f), _pace(f), sentence("So for {slow} now.", slow=f.hours("hours_slow"))),
        next="Check that it is not too cool for its yeast, and stir up the yeast gently. "
        "Food for yeast, if any, by its own sheet and not late in the ferment.",
        care="Stirring makes it foam: leave room, and go slowly.",
    )


def late_onset(f: Figures, severity: Severity) -> Phrases:
    """Say that fermentation has not begun."""
    return Phrases(
        what="not fermenting yet",
        over="fermentation has begun",
        why=sentences(
            _gravity_now(f),
            sentence("{since} after the start it has not begun to fall.", since=f.hours("hours_since_start")),
        ),
        next="Check with a hydrometer, and that the must is warm enough for its yeast. If nothing moves in another "
        "day, pitch fresh yeast started in a little warm must, by its sheet.",
        care="Look, smell and keep it covered: a must that does not ferment spoils within days.",
    )


def refermenting(f: Figures, severity: Severity) -> Phrases:
    """Say that a finished wine moves again."""
    bottled = severity is Severity.URGENT
    return Phrases(
        what="fermenting again",
        over="has settled again",
        why=sentences(
            _gravity_now(f),
            _pace(f),
            sentence(
                "It has fallen by {fall} since it had settled.",
                fall=f.gravity_change("fall_since_finished_gravity"),
            ),
        ),
        next="Bottles of it: into a closed, sturdy box somewhere cold, and leave them alone until you know more."
        if bottled
        else "Don't bottle it. Check with a hydrometer, see that the airlock works, and wait until it has settled "
        "again.",
        care="Bottles can burst, even days later: stay away from them, and cover eyes and hands if you must touch "
        "one."
        if bottled
        else f"If any of it is in bottles already, they can burst: keep them cold, boxed and away from people. {BUNG}",
    )


def too_warm(f: Figures, severity: Severity) -> Phrases:
    """Say that the must is too warm.

    Source for the yeast's limit: references of the project, Eisenman: dies above 34.4 °C held for a few hours.
    """
    return Phrases(
        what="much too warm" if severity is Severity.URGENT else "too warm",
        over="no longer too warm",
        why=_limit(f, "above"),
        worst=_worst(f),
        next="Cool it now: into a cooler room, or a wet towel round the vessel and a fan on it. Yeast can die within "
        "hours above about 34 °C (93 °F)."
        if severity is Severity.URGENT
        else "Bring it somewhere cooler, or put a wet towel round the vessel. It makes heat of its own while it "
        "ferments, so look again in a few hours.",
        care=f"Warm must ferments fast and foams. {CO2}",
    )


def too_cold(f: Figures, severity: Severity) -> Phrases:
    """Say that the must is too cold."""
    return Phrases(
        what="much too cold" if severity is Severity.URGENT else "too cold",
        over="no longer too cold",
        why=_limit(f, "below"),
        worst=_worst(f),
        next="Bring it somewhere warmer or wrap it up, and warm it slowly, a few degrees a day: yeast that got cold "
        "settles, and the ferment can stop.",
        care="No open flame or bare heater against glass or plastic.",
    )


def _limit(f: Figures, side: str) -> tuple[str, ...]:
    minutes = f.number("minutes_beyond")
    beyond = hours(minutes / 60) if minutes else None
    now, limit = f.number("celsius"), f.number("limit_celsius")
    is_back = now is not None and limit is not None and (now <= limit if side == "above" else now >= limit)
    template = (
        "The must is back at {now}; its limit is {limit}."
        if is_back
        else "The must is at {now}, {side} its limit of {limit}."
    )
    return sentences(
        sentence(template, now=f.celsius("celsius"), side=side, limit=f.celsius("limit_celsius"))
        or sentence("The must is at {now}.", now=f.celsius("celsius")),
        "" if is_back else sentence("It has been for {beyond}.", beyond=beyond),
        _worst(f) if f.celsius("worst_celsius") != f.celsius("celsius") else "",
    )


def _worst(f: Figures) -> str:
    return sentence("At worst it was at {worst}.", worst=f.celsius("worst_celsius"))


def fast_change(f: Figures, severity: Severity) -> Phrases:
    """Say that the temperature moves fast."""
    change = f.number("celsius_per_hour")
    way = "changing" if change is None else "rising" if change > 0 else "falling"
    steepest = f.number("steepest_celsius_per_hour")
    told = way if steepest is None else "rising" if steepest > 0 else "falling"
    fastest = sentence(
        "At its fastest it was {change} an hour.", change=f.celsius_change("steepest_celsius_per_hour")
    )
    return Phrases(
        what=f"temperature {told} fast",
        over="temperature steady again",
        why=sentences(
            sentence("The must is at {now}.", now=f.celsius("celsius")),
            sentence(
                "It is {way} by {change} an hour.", way=way, change=f.celsius_change("celsius_per_hour")
            ),
            fastest if steepest != change else "",
        ),
        worst=fastest,
        next="See what changed: a door, a heater, the sun on the vessel, a probe that fell out of the must.",
    )


def night_swing(f: Figures, severity: Severity) -> Phrases:
    """Say that the temperature swung far overnight."""
    worst = sentence("At most it swung by {worst}.", worst=f.celsius_change("worst_swing_celsius"))
    return Phrases(
        what="large swing overnight",
        over="a calm night again",
        why=sentences(
            sentence(
                "The must was between {low} and {high} in one night, a swing of {swing}.",
                high=f.celsius("highest_celsius"),
                low=f.celsius("lowest_celsius"),
                swing=f.celsius_change("swing_celsius"),
            ),
            worst if f.celsius_change("worst_swing_celsius") != f.celsius_change("swing_celsius") else "",
        ),
        worst=worst,
        next="Wrap the vessel, lift it off a cold floor, or move it where nights are milder; the night page shows "
        "when it happened.",
    )
