"""What could not be read, as the store keeps it."""

from mustwatch.ingest.intake import Quarantined
from mustwatch.store.readings import Unreadable


def unreadable_of(quarantined: Quarantined) -> Unreadable:
    """Return a quarantined arrival as the store keeps it."""
    return Unreadable(
        quarantined.received_ms,
        quarantined.topic,
        quarantined.payload_head,
        quarantined.reason.value,
        quarantined.detail,
    )
