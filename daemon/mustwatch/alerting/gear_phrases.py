"""What there is to say of floats, probes and the watch itself: one function per kind of finding."""

from collections.abc import Mapping

from mustwatch.alerting.figures import Figures, moment
from mustwatch.alerting.phrasing import Phrases, sentence, sentences
from mustwatch.watch.finding import Severity
from mustwatch.watch.lot_missing import FALLS


def float_frozen(f: Figures, severity: Severity) -> Phrases:
    """Say that a float, or a probe, repeats one value."""
    is_probe = f.number("gravity") is None and f.number("celsius") is not None
    return Phrases(
        what="probe repeats one value" if is_probe else "float repeats one value",
        over="probe moves again" if is_probe else "float moves again",
        why=sentences(
            sentence(
                "It has said {value} for {constant}, longer than it ever did.",
                value=f.celsius("celsius") if is_probe else f.gravity("gravity"),
                constant=f.hours("hours_constant"),
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


def float_adrift(f: Figures, severity: Severity) -> Phrases:
    """Say that a float and the hydrometer disagree."""
    return Phrases(
        what="float disagrees with the hydrometer",
        over="float and hydrometer agree again",
        why=sentences(
            sentence(
                "At the last check the float said {float}, the hydrometer {hydrometer}: {apart} apart.",
                float=f.gravity("gravity_float"),
                hydrometer=f.gravity("gravity_hydrometer"),
                apart=f.gravity_change("gravity_apart", f.number("gravity_hydrometer")),
            ),
            "The estimate follows the hydrometer.",
        ),
        next="Measure once more, with the bubbles stirred out of the sample. If they still disagree, clean the float "
        "or calibrate it anew (mustwatch calibrate).",
    )


def lot_missing(f: Figures, severity: Severity) -> Phrases:
    """Say that a float reads a wine where the book has no lot."""
    return Phrases(
        what="wine where the book has no lot",
        over="its wine is in the book, or gone",
        why=sentences(
            sentence("It reads {wine}.", wine=wine_read(f)),
            "Nobody watches a wine that is in no lot: not its warmth, nor whether it stops.",
        ),
        next="Begin a lot in that vessel, on its page or with mustwatch record start LOT --vessel VESSEL. If the float "
        "is elsewhere, write where: mustwatch record move SENSOR --to VESSEL.",
    )


def wine_read(f: Figures) -> str | None:
    """Return what a float reads of a wine: ``1.056 and falling``, or None where the evidence lacks it."""
    gravity, rate = f.gravity("gravity"), f.number("rate_per_day")
    if gravity is None or rate is None or rate > -FALLS:
        return gravity
    return f"{gravity} and falling"


def sensor_silent(f: Figures, severity: Severity) -> Phrases:
    """Say that nothing was heard from a sensor."""
    return Phrases(
        what="nothing heard from",
        over="heard again",
        why=sentences(
            sentence("Its last reading was {silent} ago.", silent=f.hours("hours_silent")),
            "While it is silent, nobody watches what it watched.",
        ),
        next="Check its battery, its distance to the access point and whether the broker runs; check the wine by "
        "hand meanwhile.",
    )


def battery_low(f: Figures, severity: Severity) -> Phrases:
    """Say that a battery is running out."""
    volts = f.plain("battery_v", 2) or f.plain("volts", 2)
    limit = f.plain("limit_v", 2) or f.plain("limit_volts", 2)
    return Phrases(
        what="battery low",
        over="battery is well again",
        why=sentences(
            sentence("It is at {volts} V, the limit is {limit} V.", volts=volts, limit=limit)
            or sentence("It is at {volts} V.", volts=volts)
        ),
        next="Charge or change it at the next chance, and sanitise the float before it goes back.",
    )


def clock_wrong(f: Figures, severity: Severity) -> Phrases:
    """Say that a clock is wrong: a sensor's, or the daemon's own."""
    off = f.number("seconds_off")
    return Phrases(
        what="clock is wrong",
        over="clock is right again",
        why=sentences(
            sentence(
                "It is off by {off}.",
                off=None if off is None else Figures({"h": abs(off) / 3600}, f.units).hours("h"),
            ),
            "Readings are kept, and their times are corrected once the clock is right.",
        ),
        next="Check that the network reaches a time server, or set the clock.",
    )


def storage_trouble(f: Figures, severity: Severity) -> Phrases:
    """Say what is wrong with the storage: by its part (card, room, file, backup, mirror)."""
    what, over, next_ = STORAGE_PARTS.get(f.text("part") or "card", STORAGE_PARTS["card"])
    return Phrases(
        what=what,
        over=over,
        why=sentences(
            sentence("{what}.", what=_stripped(_capital(f.text("what")))),
            sentence("{free} MB are free.", free=f.plain("free_mb")),
        ),
        next=next_,
    )


STORAGE_PARTS: Mapping[str, tuple[str, str, str]] = {
    "card": (
        "readings cannot be stored",
        "readings are stored again",
        "Make room on the card, or replace it if it is worn out. The broker keeps the readings for as long as it "
        "can; nothing needs to be restarted.",
    ),
    "room": (
        "the card is nearly full",
        "there is room on the card again",
        "Make room on the card: old backups and other programs' files first.",
    ),
    "file": (
        "the store was damaged and set aside",
        "the store is in order again",
        "Bring back the last backup (mustwatch restore says how), and think of replacing the card.",
    ),
    "gone": (
        "the store was gone, and the newest backup is in its place",
        "the store is whole and backed up again",
        "Look into the book for what is missing since that backup, and find out what took the file away.",
    ),
    "rows": (
        "something written could not be read any more",
        "everything in the store can be read",
        "Compare the book with your notes, write again what is missing (the last backup has it), and think of "
        "replacing the card.",
    ),
    "backup": (
        "no backup could be made",
        "backups are made again",
        "Check that the backup's place is there, can be written and has room.",
    ),
    "mirror": (
        "the InfluxDB mirror is not as it should be",
        "the InfluxDB mirror is as it should be again",
        "Check the InfluxDB server, its bucket and its token. Everything is kept here, and sent when it can be.",
    ),
}
"""By part of the storage: what is so, what is so when it is over, and what to do next."""


def delivery_trouble(f: Figures, severity: Severity) -> Phrases:
    """Say that messages to somebody do not arrive."""
    return Phrases(
        what="messages do not get through",
        over="messages get through again",
        why=sentences(
            sentence(
                "To {targets}: tried for {failing}.",
                targets=f.text("targets"),
                failing=f.hours("hours_failing"),
            )
            or sentence("To {targets}.", targets=f.text("targets")),
            sentence("{why}.", why=_stripped(f.text("error"))),
            "Messages are kept and tried again.",
        ),
        next="Check the network and that address in the configuration (mustwatch check).",
    )


def broker_trouble(f: Figures, severity: Severity) -> Phrases:
    """Say that what the broker was to keep for us may have gone to somebody else, or is lost."""
    since_ms = f.number("missing_since_ms")
    since = sentence(
        "Readings since {since} may be missing.",
        since=None if since_ms is None else moment(round(since_ms), f.units),
    )
    if f.text("what") == "contested":
        return Phrases(
            what="two programs under one name on the broker",
            over="the name on the broker is ours alone again",
            why=sentences(
                since, "The broker ends our connections again and again, as when two use one client id."
            ),
            next="End the other program (a second mustwatch?), or give one of them another client id.",
        )
    return Phrases(
        what="the broker has forgotten our session",
        over="the broker keeps our session",
        why=sentences(
            since,
            "It was to keep what came meanwhile, and had nothing: restarted without its memory, or somebody took it "
            "under our client id.",
        ),
        next="Compare with what the floats kept themselves. See that the broker writes its sessions to disk, and that "
        "the client id in the configuration is one nobody can guess.",
    )


def unwatched(f: Figures, severity: Severity) -> Phrases:
    """Say that a lot's vessel or sensor has gone from the configuration."""
    return Phrases(
        what="nobody watches it any more",
        over="it is watched again",
        why=sentences(sentence("{what}.", what=_stripped(_capital(f.text("what"))))),
        next="Name it in the configuration again, or write where the wine is now (mustwatch record rack).",
    )


def _capital(text: str | None) -> str | None:
    return text[:1].upper() + text[1:] if text else None


def _stripped(text: str | None) -> str | None:
    return text.rstrip(". ") or None if text else None
