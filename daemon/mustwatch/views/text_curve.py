"""A lot's fall in one line of text: for the terminal, where a picture can't be."""

from mustwatch.cellar.instant import DAY_MS
from mustwatch.store.store import Store

BARS = "▁▂▃▄▅▆▇█"
LONGEST_MS = 60 * DAY_MS
"""A curve goes back so far at most: in a year of standing still the fall would be one bar."""


def text_curve(store: Store, lot: str, from_ms: int, until_ms: int, columns: int) -> str | None:
    """Return the estimated gravity from one instant to another as bars, the higher the gravity the higher.

    A column without an estimate is blank. None: there is no fall to be seen, fewer than two columns have one.
    """
    from_ms = max(from_ms, until_ms - LONGEST_MS)
    width_ms = max((until_ms - from_ms) / columns, 1.0)
    newest: dict[int, float] = {}
    for estimate in store.watching.each_estimate(lot, from_ms, until_ms):
        if estimate.gravity is not None:
            newest[int((estimate.at_ms - from_ms) / width_ms)] = estimate.gravity
    if len(newest) < 2:
        return None
    low, high = min(newest.values()), max(newest.values())
    step = max(high - low, 0.004) / len(BARS)  # so that noise of some thousandths is not drawn as a fall
    bars = {at: BARS[min(int((gravity - low) / step), len(BARS) - 1)] for at, gravity in newest.items()}
    return "".join(bars.get(column, " ") for column in range(columns)).rstrip()
