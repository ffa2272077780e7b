"""One line of the table: what was measured, the limit beside it in the same run, and what is to be reached."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Row:
    """One measurement.

    Attributes:
        path: what was done; ``limit``: what it is compared with.
        measured, compared: the two values, in ``unit``; ``compared`` is None where the aim is a value of its own.
        reached: the figure that is held against the aim (a ratio, or the value itself).
        aim: in words; ``is_met``: whether it is reached, None where there is no aim.
    """

    path: str
    limit: str
    measured: float
    compared: float | None
    unit: str
    reached: float
    aim: str
    is_met: bool | None
    remark: str = ""


def ratio_row(
    path: str,
    limit: str,
    measured: float,
    compared: float,
    unit: str,
    *,
    at_least: float | None = None,
    at_most: float | None = None,
    remark: str = "",
) -> Row:
    """Return a row whose figure is measured / compared."""
    ratio = measured / compared
    if at_least is not None:
        return Row(
            path, limit, measured, compared, unit, ratio, f">= {at_least:g} x", ratio >= at_least, remark
        )
    assert at_most is not None
    return Row(path, limit, measured, compared, unit, ratio, f"<= {at_most:g} x", ratio <= at_most, remark)


def value_row(
    path: str, measured: float, unit: str, *, at_most: float | None = None, remark: str = ""
) -> Row:
    """Return a row whose figure is the value itself."""
    aim = "" if at_most is None else f"<= {at_most:g} {unit}"
    return Row(
        path,
        "",
        measured,
        None,
        unit,
        measured,
        aim,
        None if at_most is None else measured <= at_most,
        remark,
    )
