"""What a simulated lot's truth tells besides what the simulator says of it."""

from mustsim.truth import LotTruth


def still_to_fall(truth: LotTruth, at_ms: int) -> float:
    """Return by how much gravity goes on falling below its value at an instant, within the run."""
    now = float(truth.gravity_at(at_ms))
    return max(0.0, now - float(truth.gravity[truth.t_ms >= at_ms].min(initial=now)))
