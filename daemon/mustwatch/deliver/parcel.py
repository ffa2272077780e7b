"""What is sent of an outbox row: its words, and an honest line when it comes late or may be a repeat."""

from mustwatch.cellar.instant import DAY_MS, MINUTE_MS
from mustwatch.cellar.measures import PLAIN
from mustwatch.deliver.deliverer import Parcel
from mustwatch.deliver.outbox import OutboxRow

LATE_MS = 30 * MINUTE_MS
"""What leaves this much after it was due says so."""

CLOCK_JUMP_MS = 60 * DAY_MS
"""A delay longer than this is the clock's doing; then it says only that it is late."""

MAY_BE_A_REPEAT = "This may be a repeat: it is not certain that it arrived before."


def parcel_of(row: OutboxRow, now_ms: int, link: str = "") -> Parcel:
    """Return what to send of a row at an instant of the daemon's clock; ``link`` acknowledges it with one tap."""
    message = row.message
    late_ms = now_ms - message.due_ms
    remarks = []
    if row.is_repeat_possible:
        remarks.append(MAY_BE_A_REPEAT)
    if late_ms >= LATE_MS:
        late = f"{PLAIN.span(late_ms)} late" if late_ms < CLOCK_JUMP_MS else "late"
        why = "" if row.error is None else ": it could not be delivered before"
        remarks.append(f"This is {late}{why}.")
    lines = [message.body, *([f"To acknowledge: {link}"] if link else [])]
    body = "\n".join([*lines, "", *remarks] if remarks else lines)
    return Parcel(message.title, body, message.severity.value)
