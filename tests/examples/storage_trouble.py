"""storage-trouble: what its evidence looks like."""

from mustwatch.watch.finding import Figures

EVIDENCE: Figures = {"part": "room", "what": "it will be full soon", "free_mb": 120}
