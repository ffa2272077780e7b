"""What is wrong with the storage, by its part."""

from collections.abc import Mapping

from mustwatch.alerting.phrasing import Numbers, Phrases, capital

PARTS: Mapping[str, tuple[str, str, str]] = {
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


def say(n: Numbers) -> Phrases:
    what, over, next_ = PARTS.get(n.text("part") or "card", PARTS["card"])
    return Phrases(
        what=what,
        over=over,
        why=(
            capital(n.sentence("what")),
            n.say("{free_mb} are free."),
        ),
        next=next_,
    )
