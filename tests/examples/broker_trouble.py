"""broker-trouble: what its evidence looks like."""

from mustwatch.watch.finding import Figures

EVIDENCE: Figures = {"what": "lost", "missing_since_ms": 1_790_000_000_000}
