"""Everything that can be wrong with the storage is one finding: told once, worst first, over when all is well."""

from mustwatch.watch.finding import Change, Severity
from mustwatch.watch.findings.storage_trouble import Part, StorageTrouble, StorageTroubles

FULL = StorageTrouble("no room", Severity.URGENT, free_mb=0)
AWAY = StorageTrouble("the server is away")


def test_a_trouble_is_raised_with_its_words_and_cleared_when_it_is_over() -> None:
    troubles = StorageTroubles()
    (raised,) = troubles.note(Part.CARD, FULL, 1)
    (cleared,) = troubles.note(Part.CARD, None, 2)

    assert (raised.change, raised.severity, raised.at_ms) == (Change.RAISED, Severity.URGENT, 1)
    assert raised.evidence == {"part": "card", "what": "no room", "free_mb": 0}
    assert (cleared.change, cleared.at_ms) == (Change.CLEARED, 2)


def test_what_holds_already_is_not_raised_again() -> None:
    troubles = StorageTroubles()
    troubles.note(Part.MIRROR, AWAY, 1)

    assert troubles.note(Part.MIRROR, AWAY, 2) == []
    assert troubles.note(Part.BACKUP, StorageTrouble("no backup"), 3) == []


def test_a_worse_trouble_beside_it_raises_the_severity() -> None:
    troubles = StorageTroubles()
    troubles.note(Part.MIRROR, AWAY, 1)
    (worse,) = troubles.note(Part.CARD, FULL, 2)

    assert (worse.severity, worse.evidence["part"]) == (Severity.URGENT, "card")


def test_it_is_over_only_when_every_part_is_well() -> None:
    troubles = StorageTroubles()
    troubles.note(Part.MIRROR, AWAY, 1)
    troubles.note(Part.BACKUP, StorageTrouble("no backup"), 2)

    assert troubles.note(Part.MIRROR, None, 3) == []
    assert [t.change for t in troubles.note(Part.BACKUP, None, 4)] == [Change.CLEARED]


def test_being_well_is_nothing_to_tell() -> None:
    assert StorageTroubles().note(Part.ROOM, None, 1) == []


def test_an_alert_left_open_by_a_former_run_stays_until_its_own_part_is_well() -> None:
    """Silence is not good news: that the mirror is well says nothing of the backup."""
    troubles = StorageTroubles((Severity.WARNING, {"part": "backup", "what": "no room"}))

    assert troubles.note(Part.MIRROR, None, 1) == []
    assert [t.change for t in troubles.note(Part.BACKUP, None, 2)] == [Change.CLEARED]
