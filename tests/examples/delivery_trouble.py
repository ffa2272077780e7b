"""delivery-trouble: what its evidence looks like."""

from mustwatch.watch.finding import Figures

EVIDENCE: Figures = {
    "targets": "phone",
    "hours_failing": 0.6,
    "error": "json://127.0.0.1: connection refused",
    "messages_waiting": 3,
}
