"""lot-missing: what its evidence looks like."""

from mustwatch.watch.finding import Figures

EVIDENCE: Figures = {"gravity": 1.0562, "rate_per_day": -0.0121, "celsius": 19.4}
