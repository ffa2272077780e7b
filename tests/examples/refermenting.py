"""refermenting: what its evidence looks like."""

from mustwatch.watch.finding import Figures

EVIDENCE: Figures = {
    "gravity": 0.9931,
    "rate_per_day": -0.0016,
    "fall_since_finished_gravity": 0.0021,
    "celsius": 22.5,
}
