"""The clock's anchor as text for the store, and back."""

import json
from dataclasses import asdict

from mustwatch.ingest.clock import ClockAnchor, ClockState, Stretch


def anchor_to_json(anchor: ClockAnchor) -> str:
    """Return the anchor as JSON text."""
    return json.dumps(asdict(anchor))


def anchor_from_json(text: str | None) -> ClockAnchor | None:
    """Return the anchor that ``anchor_to_json`` wrote; None for None or for what another version wrote."""
    if text is None:
        return None
    try:
        state = json.loads(text)
        return ClockAnchor(
            boot_id=state["boot_id"],
            state=ClockState(state["state"]),
            system_offset_ms=state["system_offset_ms"],
            frame_ms=state["frame_ms"],
            trail=tuple(state["trail"]),
            stretches=tuple(Stretch(*stretch) for stretch in state["stretches"]),
        )
    except (ValueError, KeyError, TypeError):
        return None
