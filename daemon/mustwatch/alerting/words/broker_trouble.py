"""What the broker was to keep for us may have gone to somebody else, or is lost."""

from mustwatch.alerting.phrasing import Numbers, Phrases


def say(n: Numbers) -> Phrases:
    since = n.say("Readings since {missing_since_ms} may be missing.")
    if n.text("what") == "contested":
        return Phrases(
            what="two programs under one name on the broker",
            over="the name on the broker is ours alone again",
            why=(since, "The broker ends our connections again and again, as when two use one client id."),
            next="End the other program (a second mustwatch?), or give one of them another client id.",
        )
    return Phrases(
        what="the broker has forgotten our session",
        over="the broker keeps our session",
        why=(
            since,
            "It was to keep what came meanwhile, and had nothing: restarted without its memory, or somebody took it "
            "under our client id.",
        ),
        next="Compare with what the floats kept themselves. See that the broker writes its sessions to disk, and that "
        "the client id in the configuration is one nobody can guess.",
    )
