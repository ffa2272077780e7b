"""The racking time of the watch beside that of a reader without noise, on the same lots."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from watch_judging import quantiles
from watch_reader import LINES_H
from watch_run import Figures

DRAWINGS = 400


def beside_reader(made: Sequence[Figures]) -> dict[str, Any]:
    """Return the size of the racking time's error, hours: the watch's and the reader's, on the lots that were told."""
    told = [f for f in made if f.rack_reader_h is not None and f.scores["rack-due"].delays_h]
    return {
        "watch": quantiles([abs(f.scores["rack-due"].delays_h[0]) for f in told]),
        "reader": quantiles([abs(f.rack_reader_h or 0.0) for f in told]),
    }


def with_noise(made: Sequence[Figures]) -> dict[str, Any]:
    """Return the 95 % of the reader's error with the noise of a line's end, over drawings, by the line's hours."""
    told = [f for f in made if f.rack_line_h is not None and f.scores["rack-due"].delays_h]
    lasting = np.array([f.rack_reader_h or 0.0 for f in told])
    rng = np.random.default_rng(1)
    found = {}
    for i, hours in enumerate(LINES_H):
        sd = np.array([f.rack_line_h[i] if f.rack_line_h else 0.0 for f in told])
        drawn = [
            np.percentile(np.abs(lasting + sd * rng.standard_normal(sd.size)), 95) for _ in range(DRAWINGS)
        ]
        low, high = np.percentile(drawn, [5, 95])
        found[f"{hours} h"] = {
            "p95": round(float(np.mean(drawn)), 2),
            "from": round(float(low), 2),
            "to": round(float(high), 2),
            "under_4_h": round(float(np.mean(np.array(drawn) <= 4.0)), 3),
        }
    return found


def show_noise(of: dict[str, Any]) -> None:
    """Print it."""
    print(
        f"    the reader with the noise of a line through the last hours of readings ({DRAWINGS} drawings):"
    )
    for hours, k in of.items():
        print(
            f"        {hours}: 95 % {k['p95']} ({k['from']} to {k['to']}), under 4 h in {k['under_4_h']:.1%}"
        )


def show_racking(of: dict[str, Any]) -> None:
    """Print how near both come."""
    print(
        "\nracking time beside a reader of the same floats without their noise, on the same ferments, |error| h:"
    )
    for name, k in of.items():
        mine, reader = k["watch"], k["reader"]
        print(f"    {name:18} watch median {mine['median']}, 95 % {mine['p95']}; ", end="")
        print(f"reader median {reader['median']}, 95 % {reader['p95']} (n={mine['n']})")
