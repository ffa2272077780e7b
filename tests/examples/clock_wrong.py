"""clock-wrong: what its evidence looks like."""

from mustwatch.watch.finding import Figures

EVIDENCE: Figures = {}
