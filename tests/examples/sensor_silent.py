"""sensor-silent: what its evidence looks like."""

from mustwatch.watch.finding import Figures

EVIDENCE: Figures = {"hours_silent": 3.02, "silent_after_hours": 3.0}
