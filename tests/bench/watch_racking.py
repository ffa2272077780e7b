"""The racking time of the watch beside that of a reader without noise, on the same lots."""

from collections.abc import Sequence
from typing import Any

from watch_judging import quantiles
from watch_run import Figures


def beside_reader(made: Sequence[Figures]) -> dict[str, Any]:
    """Return the size of the racking time's error, hours: the watch's and the reader's, on the lots that were told."""
    told = [f for f in made if f.rack_reader_h is not None and f.scores["rack-due"].delays_h]
    return {
        "watch": quantiles([abs(f.scores["rack-due"].delays_h[0]) for f in told]),
        "reader": quantiles([abs(f.rack_reader_h or 0.0) for f in told]),
    }


def show_racking(of: dict[str, Any]) -> None:
    """Print how near both come."""
    print(
        "\nracking time beside a reader of the same floats without their noise, on the same ferments, |error| h:"
    )
    for name, k in of.items():
        mine, reader = k["watch"], k["reader"]
        print(f"    {name:18} watch median {mine['median']}, 95 % {mine['p95']}; ", end="")
        print(f"reader median {reader['median']}, 95 % {reader['p95']} (n={mine['n']})")
