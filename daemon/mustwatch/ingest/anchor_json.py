"""The clock's anchor as text, as the store keeps it."""

import json
from dataclasses import asdict

from mustwatch.ingest.clock import ClockAnchor, ClockState, Stretch


def anchor_to_json(anchor: ClockAnchor) -> str:
    """Return an anchor as one line of JSON."""
    return json.dumps(asdict(anchor), separators=(",", ":"))


def anchor_from_json(text: str | None) -> ClockAnchor | None:
    """Return the anchor in a text, or None if there is none or it is from a version that wrote it otherwise.

    Without an anchor a clock that is wrong is still noticed; only stamps from before a restart stay unsure.
    """
    if text is None:
        return None
    try:
        kept = json.loads(text)
        return ClockAnchor(
            boot_id=str(kept["boot_id"]),
            state=ClockState(kept["state"]),
            system_offset_ms=int(kept["system_offset_ms"]),
            frame_ms=int(kept["frame_ms"]),
            stepped_mono_s=None if kept["stepped_mono_s"] is None else float(kept["stepped_mono_s"]),
            trail=tuple(int(offset_ms) for offset_ms in kept["trail"]),
            stretches=tuple(Stretch(int(a), int(b), int(c), bool(d)) for a, b, c, d in kept["stretches"]),
        )
    except (ValueError, KeyError, TypeError):
        return None
