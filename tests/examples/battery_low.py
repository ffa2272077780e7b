"""battery-low: what its evidence looks like."""

from mustwatch.watch.finding import Figures

EVIDENCE: Figures = {"battery_v": 3.412, "limit_v": 3.5}
