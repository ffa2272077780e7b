"""unwatched: what its evidence looks like."""

from mustwatch.watch.finding import Figures

EVIDENCE: Figures = {"what": "its vessel bucket-1 is not in the configuration"}
