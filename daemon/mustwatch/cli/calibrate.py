"""``mustwatch calibrate``: a float's curve from inclination to gravity, fitted, shown and kept."""

from collections.abc import Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any, Final, NamedTuple, Protocol

import typer

from mustwatch.cellar.instant import iso, to_ms
from mustwatch.cellar.measures import PLAIN, Measures
from mustwatch.cli.calc_figures import measures
from mustwatch.cli.calibration_plot import plot
from mustwatch.cli.output import ExitCode, emit_json, fail, remark, say
from mustwatch.must.bounds import OutOfRangeError, require_gravity
from mustwatch.must.calibration import POINT_SD, Calibration, CalibrationError, Point, fit
from mustwatch.must.density import reading_from_gravity_20
from mustwatch.recording import units

app = typer.Typer(add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False)

DRY: Final = 0.993
"""What dry table wines show (0.990 to 0.996, trade press): where every ferment ends, and a float is read last."""

LONE_LEVERAGE: Final = 0.95
"""A point of more leverage than this decides its end of the curve alone."""


class Check(NamedTuple):
    """A hydrometer check of the book, and what the float said then.

    Attributes:
        at_ms: when, milliseconds since the epoch.
        inclination_deg: of the float at the time, degrees.
        gravity: of the check, 20/20.
        temperature_c: of the must at the time, °C; None: taken as 20.
    """

    at_ms: int
    inclination_deg: float
    gravity: float
    temperature_c: float | None


class CalibrationBook(Protocol):
    """What the command needs of the store and the configuration."""

    def checks_for(self, sensor: str) -> Sequence[Check]:
        """Return the book's checks taken while the float lay in the same vessel and spoke."""

    def is_calibrated(self, sensor: str) -> bool:
        """Say whether the float has a calibration already, configured or kept."""

    def save(self, sensor: str, points: Sequence[Point], from_ms: int | None) -> None:
        """Keep a calibration from an instant on; None: for every reading the float ever sent."""


def open_book(sensor: str) -> AbstractContextManager[CalibrationBook]:
    """Open the store for a float: imported only here, so that fitting needs neither store nor configuration."""
    from mustwatch.cli.calibration_book import opened_calibration_book

    return opened_calibration_book(sensor)


@dataclass(frozen=True, slots=True)
class Fitted:
    """A calibration with what is to be said about it."""

    sensor: str
    calibration: Calibration
    warnings: tuple[str, ...]


@app.command()
def calibrate(
    sensor: Annotated[str, typer.Argument(metavar="SENSOR", help="The float's id.")],
    point: Annotated[
        list[str] | None,
        typer.Option(
            "--point",
            metavar="INCLINATION:GRAVITY[@TEMPERATURE]",
            help="A point: degrees and gravity 20/20 of the liquid, as 25.3:1.000 or 61:1.090@23C. Two or more.",
        ),
    ] = None,
    from_checks: Annotated[
        bool, typer.Option("--from-checks", help="Take the hydrometer checks of the cellar book as points.")
    ] = False,
    save: Annotated[bool, typer.Option("--save", help="Keep it; readings from now on use it.")] = False,
    since: Annotated[
        str | None, typer.Option("--since", metavar="INSTANT", help="With --save: from when it holds.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Fit a float's calibration from points, show it with its errors, and keep it with --save.

    Lay the float in water, then in two or three sugar solutions or musts that a hydrometer measures, let it come to
    rest, and give its inclination with each gravity. A quiet hour of the ferment serves as well: --from-checks.
    """
    try:
        since_ms = None if since is None else _instant_ms(since)
        points = [parse_point(text) for text in point or ()]
        if from_checks:
            points += _points_of_checks(sensor, measures())
        said = PLAIN if as_json else measures()
        fitted = Fitted(sensor, calibration := fit(points), tuple(warnings_about(calibration, said)))
    except (CalibrationError, OutOfRangeError, units.UnitError) as wrong:
        fail(str(wrong), ExitCode.WRONG_INPUT)
    from_ms = _save(fitted, since_ms) if save else None
    document = _document(fitted, saved=save, from_ms=from_ms)
    if as_json:
        emit_json(document)
        return
    for line in _lines(fitted, said):
        say(line)
    if save:
        say(
            f"kept: holds for readings from {iso(from_ms)} on"
            if from_ms is not None
            else "kept: for all its readings"
        )
    else:
        say("not kept: repeat with --save, or put the calibration line above into the sensor's configuration")


def parse_point(text: str) -> Point:
    """Return inclination in degrees and the gravity shown there, from ``25.3:1.000`` or ``61deg:22Bx@23C``.

    The gravity is the liquid's at 20/20; at another temperature the float sees the liquid's density there, so it is
    turned into what a scale would show (``density.reading_from_gravity_20``).

    Raises:
        UnitError, OutOfRangeError: it cannot be read, or no must has it.
    """
    expected = "INCLINATION:GRAVITY, e.g. 25.3:1.000, 61:22Bx or 61:1.090@23C"
    inclination, colon, rest = text.partition(":")
    if not colon or not inclination.strip() or not rest.strip():
        raise units.UnitError(f"--point {text!r} is not a point; expected {expected}")
    gravity_text, at_sign, temperature = rest.partition("@")
    inclination_deg = units.quantity(f"--point {text!r}: inclination", inclination, expected, units.DEGREES)
    gravity = units.gravity(f"--point {text!r}: gravity", gravity_text)
    require_gravity(f"--point {text!r}: gravity", gravity)
    if not at_sign:
        return inclination_deg, gravity
    at_c = units.temperature_c(f"--point {text!r}: temperature", temperature)
    return inclination_deg, reading_from_gravity_20(gravity, at_c)


def warnings_about(calibration: Calibration, said: Measures = PLAIN) -> list[str]:
    """Return what a user should know before trusting a calibration, each one sentence."""
    found = []
    low, _ = calibration.gravity_range
    distinct = len({x for x, _ in calibration.points})
    if distinct == 2:
        found.append(
            "two points make a straight line that nothing checks; most floats are curved: add one in between"
        )
    if not calibration.explained:
        found.append(
            f"the points scatter by {said.gravity_change(calibration.point_sd, digits=4)}, more than a hydrometer's "
            f"{said.gravity_change(POINT_SD)}: measure the worst ones again"
        )
    if low > DRY:
        at_low = (
            calibration.low_deg
            if calibration.gravity(calibration.low_deg)[0] == low
            else calibration.high_deg
        )
        found.append(
            f"below {said.gravity(low)} ({at_low:.1f}°) the curve is extrapolated, and a dry wine shows about "
            f"{said.gravity(DRY)}: re-anchor it to a hydrometer check near the end"
        )
    lone = [r for r in calibration.residuals if r.leverage > LONE_LEVERAGE]
    if distinct > 2 and calibration.order < distinct - 1 and lone:
        found.append(
            f"the point at {lone[0].inclination_deg:.1f}° alone decides its end of the curve: measure another near it"
        )
    return found


def _points_of_checks(sensor: str, said: Measures) -> list[Point]:
    with open_book(sensor) as book:
        checks = book.checks_for(sensor)
    if not checks:
        fail(
            f"the book has no hydrometer check with the inclination of {sensor} beside it: "
            "record some with `mustwatch record measure`, or give --point"
        )
    for check in checks:
        when, gravity = said.written(check.at_ms), said.gravity(check.gravity, 4)
        remark(f"check of {when}: {check.inclination_deg:.2f}° at {gravity}")
    return [(c.inclination_deg, _shown(c)) for c in checks]


def _shown(check: Check) -> float:
    """Return what a scale would have shown at the check's temperature, which is what the float saw."""
    if check.temperature_c is None:
        return check.gravity
    return reading_from_gravity_20(check.gravity, check.temperature_c)


def _save(fitted: Fitted, since_ms: int | None) -> int | None:
    """Keep a calibration and return from when it holds: a float's first one, if nothing is said, for all it sent."""
    from mustwatch.cli.opening import now_ms

    with open_book(fitted.sensor) as book:
        from_ms = since_ms
        if from_ms is None and book.is_calibrated(fitted.sensor):
            from_ms = now_ms()
        book.save(fitted.sensor, fitted.calibration.points, from_ms)
    return from_ms


def _instant_ms(text: str) -> int:
    try:
        return to_ms(datetime.fromisoformat(text))
    except ValueError:
        raise units.UnitError(
            f"--since {text!r} is not an instant; expected ISO 8601 with an offset, e.g. 2026-09-01T18:00:00+02:00"
        ) from None


def _document(fitted: Fitted, *, saved: bool, from_ms: int | None) -> dict[str, Any]:
    calibration = fitted.calibration
    return {
        "sensor": fitted.sensor,
        "order": calibration.order,
        "points": [
            {
                "inclination_deg": r.inclination_deg,
                "gravity": round(r.gravity, 5),
                "fitted": round(r.gravity - r.residual, 5),
                "residual": round(r.residual, 5),
                "leverage": round(r.leverage, 4),
                "reading_sd": round(calibration.gravity(r.inclination_deg)[1], 5),
            }
            for r in calibration.residuals
        ],
        "point_sd": round(calibration.point_sd, 5),
        "explained": calibration.explained,
        "range_deg": [calibration.low_deg, calibration.high_deg],
        "gravity_range": [round(g, 5) for g in calibration.gravity_range],
        "warnings": list(fitted.warnings),
        "saved": saved,
        "holds_from": iso(from_ms),
        "method": "least squares, polynomial of the least order that explains the points and does not fold back",
    }


def _lines(fitted: Fitted, said: Measures) -> list[str]:
    calibration = fitted.calibration
    curve = {1: "a straight line", 2: "a parabola", 3: "a cubic"}[calibration.order]
    pairs = ", ".join(f"[{x:g}, {g:.4f}]" for x, g in calibration.points)
    return [
        f"{fitted.sensor}: {curve} through {len(calibration.points)} points, "
        f"{calibration.low_deg:.1f}° to {calibration.high_deg:.1f}°",
        *plot(calibration, said),
        "",
        "inclination   gravity   residual  leverage  a reading's error",
        *(
            f"{r.inclination_deg:10.2f}° {said.gravity(r.gravity, 4):>8} "
            f"{said.gravity_change(r.residual, r.gravity, 4, sign=True):>10} {min(r.leverage, 1.0):9.2f}  "
            f"{said.gravity_change(calibration.gravity(r.inclination_deg)[1], r.gravity, 4):>17}"
            for r in calibration.residuals
        ),
        "",
        *(f"note: {warning}" for warning in fitted.warnings),
        f"calibration = [{pairs}]",
    ]
