"""Calibration of a float: from inclination to the gravity it shows, fitted from a user's points.

The model is a polynomial of the least order (1 to 3) that explains the points within what a user's hydrometer
can tell, and that rises or falls throughout. A point is an inclination and the gravity the liquid *shows* at
its temperature against water at 20 °C (``density.reading_from_gravity_20``); near 20 °C that is gravity 20/20
itself.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

from mustwatch.must.bounds import OutOfRangeError, require_gravity
from mustwatch.must.polynomial import Polynomial, derivative, fits, value

Point = tuple[float, float]
"""Inclination in degrees, gravity shown."""

POINT_SD: Final = 0.001
"""Standard error of a user's hydrometer point. Common practice (half a division of 0.002); NIST SP 250-78
finds 0.00037 or more for a careful user."""

FOLD_TOLERANCE: Final = 2.0 * POINT_SD
"""Points nearer together than this may be out of order by noise alone."""

LEAST_SPAN_DEG: Final = 2.0
LEAST_SPAN_GRAVITY: Final = 5.0 * POINT_SD
"""Points nearer together than this say next to nothing about the slope. Own choice."""

LARGEST_OFFSET: Final = 0.05
"""Further off than this is no drift: the float lies on the lees or was calibrated wrongly. Own choice."""

POINTS_FOR_ORDER: Final = {1: 2, 2: 3, 3: 5}
"""Distinct inclinations each order asks for. A cubic through four points has no residual left to show an
error."""

WORTHWHILE: Final = 1.1
"""Where no order explains the points, a lower order is kept unless its scatter is more than this times the
least."""


class CalibrationError(ValueError):
    """The points cannot make a calibration. The message is one line: what is wrong, where, what to do."""


@dataclass(frozen=True, slots=True)
class Residual:
    """How one point sits on the curve.

    Attributes:
        inclination_deg: of the point, degrees.
        gravity: of the point, as given.
        residual: gravity of the point less that of the curve.
        leverage: 0..1, how far the curve hangs on this point alone (1: it must pass through it).
    """

    inclination_deg: float
    gravity: float
    residual: float
    leverage: float


@dataclass(frozen=True, slots=True)
class Calibration:
    """A fitted curve from inclination to gravity, and what it is worth.

    Attributes:
        points: inclination in degrees and gravity shown, in rising inclination.
        order: of the polynomial, 1 to 3.
        point_sd: standard error of one point: a hydrometer's, or the scatter about the curve where that is
            larger.
        explained: whether the scatter is within what the hydrometer's error can show (chi-squared, 95 %).
        residuals: one per point, in the same order.
        offset: added to the curve's gravity since a re-anchoring to a hydrometer check.
    """

    points: tuple[Point, ...]
    order: int
    point_sd: float
    explained: bool
    residuals: tuple[Residual, ...]
    offset: float
    _curve: Polynomial
    _leverage: Polynomial

    @property
    def low_deg(self) -> float:
        """Return the least inclination among the points, degrees."""
        return self.points[0][0]

    @property
    def high_deg(self) -> float:
        """Return the greatest inclination among the points, degrees."""
        return self.points[-1][0]

    @property
    def gravity_range(self) -> tuple[float, float]:
        """Return the least and the greatest gravity the curve shows within its points."""
        ends = (self.gravity(self.low_deg)[0], self.gravity(self.high_deg)[0])
        return min(ends), max(ends)

    def covers(self, inclination_deg: float) -> bool:
        """Say whether an inclination lies within the points; outside, the gravity is an extrapolation."""
        return self.points[0][0] <= inclination_deg <= self.points[-1][0]

    def gravity(self, inclination_deg: float) -> tuple[float, float]:
        """Return the gravity shown at an inclination in degrees, and the standard error of that single
        reading.

        Outside the points the curve goes on along its tangent, so it stays monotone, and the error grows with
        the leverage. The error is that of a prediction, ``point_sd * sqrt(1 + leverage)``.
        """
        u = self._scaled(inclination_deg)
        if u > 1.0:
            shown = self._at(1.0) + self._slope(1.0) * (u - 1.0)
        elif u < -1.0:
            shown = self._at(-1.0) + self._slope(-1.0) * (u + 1.0)
        else:
            shown = self._at(u)
        return shown + self.offset, self.point_sd * math.sqrt(1.0 + value(self._leverage, u))

    def reanchored(self, offset: float) -> "Calibration":
        """Return the same curve with ``offset`` (in place of any earlier one) added to its gravity.

        Raises:
            CalibrationError: the offset is larger than a drift can be.
        """
        if not abs(offset) <= LARGEST_OFFSET:
            raise CalibrationError(
                f"offset {offset:+.4f} is out of range; expected {-LARGEST_OFFSET:+.3f} to "
                f"{LARGEST_OFFSET:+.3f}: check the hydrometer and whether the float swims freely, or calibrate it anew"
            )
        return replace(self, offset=offset)

    def _scaled(self, inclination_deg: float) -> float:
        low, high = self.points[0][0], self.points[-1][0]
        return (2.0 * inclination_deg - low - high) / (high - low)

    def _at(self, u: float) -> float:
        return value(self._curve, u)

    def _slope(self, u: float) -> float:
        return value(derivative(self._curve), u)


def fit(points: Iterable[Point], *, point_sd: float = POINT_SD) -> Calibration:
    """Fit a calibration to two or more points.

    The order is the least one whose misfit is within what points of standard error ``point_sd`` can show
    (chi-squared, 95 %). Where none is, a lower order is kept unless a higher one scatters clearly less, and
    the scatter per degree of freedom then is the standard error of a point. A curve that folds back is never
    taken.

    Args:
        points: inclination in degrees and gravity shown (0.95 to 1.20), in any order.
        point_sd: standard error of a point's gravity.

    Raises:
        CalibrationError: too few points, points that span too little or fold back, or impossible values.

    Source: ordinary least squares, leverage and the chi-squared test as in any text on regression.
    """
    ordered = _checked(points)
    candidates = [c for c in _of_every_order(ordered, point_sd) if _is_monotone(c)]
    if not candidates:
        raise CalibrationError("no curve that only rises or only falls fits the points; measure them again")
    for candidate in candidates:
        if candidate.explained:
            return candidate
    least = min(c.point_sd for c in candidates)
    return next(c for c in candidates if c.point_sd <= WORTHWHILE * least)


def _of_every_order(points: tuple[Point, ...], point_sd: float) -> Iterable[Calibration]:
    """Yield the fit of each order the points can carry, from the straight line up."""
    low, high = points[0][0], points[-1][0]
    scaled = [(2.0 * x - low - high) / (high - low) for x, _ in points]
    distinct = len({x for x, _ in points})
    for order, (curve, leverage) in enumerate(fits(scaled, [g for _, g in points])):
        if order not in POINTS_FOR_ORDER or distinct < POINTS_FOR_ORDER[order]:
            continue
        residuals = tuple(
            Residual(x, g, g - value(curve, u), value(leverage, u))
            for (x, g), u in zip(points, scaled, strict=True)
        )
        squares = sum(r.residual * r.residual for r in residuals)
        freedom = len(points) - order - 1
        scatter = math.sqrt(squares / freedom) if freedom else 0.0
        yield Calibration(
            points=points,
            order=order,
            point_sd=max(point_sd, scatter),
            explained=not freedom or squares <= point_sd * point_sd * chi_squared_95(freedom),
            residuals=residuals,
            offset=0.0,
            _curve=curve,
            _leverage=leverage,
        )


def _is_monotone(calibration: Calibration) -> bool:
    """Say whether the curve only rises or only falls within its points (u from -1 to 1)."""
    slope = derivative(calibration._curve)
    places = [-1.0, 1.0]
    if len(slope) == 3 and slope[2]:
        turn = -slope[1] / (2.0 * slope[2])
        if abs(turn) < 1.0:
            places.append(turn)
    slopes = [value(slope, u) for u in places]
    return min(slopes) > 0.0 or max(slopes) < 0.0


def chi_squared_95(freedom: int) -> float:
    """Return the upper 95 % point of chi-squared, within 3 % for any number of degrees of freedom from 1.

    Source: Wilson and Hilferty 1931, PNAS 17:684, doi 10.1073/pnas.17.12.684 (from memory; checked against
        scipy).
    """
    spread = 2.0 / (9.0 * freedom)
    return freedom * math.pow(1.0 - spread + 1.6448536 * math.sqrt(spread), 3.0)


def _checked(points: Iterable[Point]) -> tuple[Point, ...]:
    """Return the points in rising inclination, or raise CalibrationError with what is wrong with them."""
    ordered = tuple(sorted((float(x), float(g)) for x, g in points))
    if len(ordered) < 2:
        raise CalibrationError(
            f"two points or more are needed, {len(ordered)} given; expected e.g. 25.3:1.000 and 61.0:1.090"
        )
    for x, g in ordered:
        if not -180.0 <= x <= 180.0:
            raise CalibrationError(f"inclination {x:g}° is out of range; expected -180 to 180°")
        try:
            require_gravity(f"gravity at {x:g}°,", g)
        except OutOfRangeError as wrong:
            raise CalibrationError(str(wrong)) from None
    span_deg = ordered[-1][0] - ordered[0][0]
    if span_deg < LEAST_SPAN_DEG:
        raise CalibrationError(
            f"the points span {span_deg:.2g}° of inclination; expected {LEAST_SPAN_DEG:g}° or more"
        )
    gravities = [g for _, g in ordered]
    span = max(gravities) - min(gravities)
    if span < LEAST_SPAN_GRAVITY:
        raise CalibrationError(
            f"the points span {span:.4f} of gravity; expected {LEAST_SPAN_GRAVITY:.3f} or more: "
            "add one in plain water and one in must"
        )
    _refuse_folds(ordered)
    return ordered


def _refuse_folds(ordered: Sequence[Point]) -> None:
    """Raise CalibrationError where gravity turns back as inclination rises, by more than noise can do."""
    (first_deg, first), (last_deg, last) = ordered[0], ordered[-1]
    direction = 1.0 if last > first else -1.0
    slope = abs(last - first) / (last_deg - first_deg)
    for (x0, g0), (x1, g1) in pairwise(ordered):
        if x0 == x1 and abs(g1 - g0) > FOLD_TOLERANCE:
            raise CalibrationError(
                f"the points at {x0:g}° disagree ({g0:.4f} and {g1:.4f}); expected one gravity at one "
                "inclination: measure it again"
            )
        onward = (g1 - g0) * direction
        if onward > 0.0 or (onward >= -FOLD_TOLERANCE and slope * (x1 - x0) <= FOLD_TOLERANCE):
            continue
        raise CalibrationError(
            f"the points fold back between {x0:g}° ({g0:.4f}) and {x1:g}° ({g1:.4f}); expected gravity "
            "only to rise or only to fall with inclination: measure these two again"
        )
