"""``mustwatch calibrate``: points in, a curve with its errors out, kept when asked."""

import json
from contextlib import contextmanager

import pytest
from typer.testing import CliRunner

from mustwatch.cli import calibrate as command
from mustwatch.cli.calibrate import Check, app, parse_point
from mustwatch.cli.calibration_plot import plot
from mustwatch.must.calibration import fit
from mustwatch.must.density import reading_from_gravity_20

RUN = CliRunner()
THREE = ["--point", "25.3:1.000", "--point", "45:1.050", "--point", "61:1.090"]


class Book:
    """A book in memory."""

    def __init__(self, checks=(), calibrated=False):
        self.checks = list(checks)
        self.calibrated = calibrated
        self.saved = []

    def checks_for(self, sensor):
        return self.checks

    def is_calibrated(self, sensor):
        return self.calibrated

    def save(self, sensor, points, from_ms):
        self.saved.append((sensor, tuple(points), from_ms))


@pytest.fixture
def book(monkeypatch):
    """Return a book that the command opens instead of the store."""
    kept = Book()

    @contextmanager
    def opened(sensor):
        yield kept

    monkeypatch.setattr(command, "open_book", opened)
    return kept


def calibrate(*arguments):
    result = RUN.invoke(app, ["float-1", *arguments, "--json"])
    assert result.exit_code == 0, result.stderr
    return json.loads(result.stdout)


def test_points_give_a_curve_with_residuals_leverage_and_errors():
    document = calibrate(*THREE)

    assert document["sensor"] == "float-1"
    assert document["order"] == 1
    assert document["range_deg"] == [25.3, 61.0]
    assert [p["gravity"] for p in document["points"]] == [1.0, 1.05, 1.09]
    for point in document["points"]:
        assert point["fitted"] == pytest.approx(point["gravity"] - point["residual"], abs=2e-5)
        assert 0 < point["leverage"] <= 1
        assert point["reading_sd"] > document["point_sd"]


def test_the_readable_form_plots_the_curve_and_gives_the_line_for_the_configuration():
    result = RUN.invoke(app, ["float-1", *THREE])

    assert result.exit_code == 0
    assert result.stdout.count("o") >= 3
    assert "·" in result.stdout
    assert "calibration = [[25.3, 1.0000], [45, 1.0500], [61, 1.0900]]" in result.stdout
    assert "not kept" in result.stdout


def test_the_plot_has_the_first_point_bottom_left_and_the_last_top_right():
    lines = plot(fit([(25.0, 1.000), (45.0, 1.045), (65.0, 1.090)]), width=41, height=11)

    assert lines[0].endswith("o")
    assert lines[10].split("|")[1].startswith("o")
    assert lines[5].split("|")[1][20] == "o"


def test_a_point_measured_warm_is_what_the_float_saw_there():
    inclination_deg, shown = parse_point("61:1.090@30C")

    assert inclination_deg == 61.0
    assert shown == reading_from_gravity_20(1.090, 30.0)
    assert shown < 1.090


@pytest.mark.parametrize(
    ("typed", "point"),
    [
        ("25.3:1.000", (25.3, 1.0)),
        ("25.3deg:1.000", (25.3, 1.0)),
        ("0.5rad:1.000", (28.6479, 1.0)),
        ("61:22Bx", (61.0, 1.09189)),
        ("-61:1.09", (-61.0, 1.09)),
    ],
)
def test_points_are_read_as_typed(typed, point):
    assert parse_point(typed) == pytest.approx(point, abs=1e-4)


@pytest.mark.parametrize(
    ("points", "says"),
    [
        (["25.3:1.000"], "two points or more"),
        ([], "two points or more"),
        (["25.3-1.000", "61:1.09"], "not a point; expected INCLINATION:GRAVITY"),
        (["25.3:", "61:1.09"], "not a point"),
        (["25.3:1.000", "61:109"], "did you mean 1.090?"),
        (["25.3:1.000", "61:1.09@68"], "did you mean 68F?"),
        (["25.3turns:1.000", "61:1.09"], "unknown unit"),
        (["25:1.0", "45:1.06", "60:1.05"], "fold back between 45° (1.0600) and 60° (1.0500)"),
        (["25:1.0", "26:1.05"], "span 1° of inclination"),
    ],
)
def test_wrong_points_exit_2_with_one_line(points, says):
    arguments = [argument for point in points for argument in ("--point", point)]
    result = RUN.invoke(app, ["float-1", *arguments])

    assert result.exit_code == 2
    assert result.stdout == ""
    assert says in result.stderr
    assert result.stderr.count("\n") == 1


def test_two_points_come_with_a_warning():
    warnings = calibrate("--point", "25.3:1.000", "--point", "61:1.090")["warnings"]

    assert any("two points make a straight line" in w for w in warnings)


def test_a_range_that_ends_above_dry_comes_with_a_warning():
    assert any("extrapolated" in w for w in calibrate(*THREE)["warnings"])
    reaching = calibrate(*THREE, "--point", "21.4:0.990")

    assert not any("extrapolated" in w for w in reaching["warnings"])


def test_scatter_beyond_a_hydrometers_comes_with_a_warning():
    scattered = ["20:1.000", "36:1.046", "52:1.060", "68:1.102"]
    warnings = calibrate(*(a for p in scattered for a in ("--point", p)))["warnings"]

    assert any("scatter" in w for w in warnings)


def test_nothing_is_kept_unless_asked(book):
    assert calibrate(*THREE)["saved"] is False
    assert book.saved == []


def test_the_first_calibration_of_a_float_holds_for_all_it_sent(book):
    document = calibrate(*THREE, "--save")

    assert document["saved"] is True
    assert book.saved == [("float-1", ((25.3, 1.0), (45.0, 1.05), (61.0, 1.09)), None)]


def test_a_later_calibration_holds_from_now_on(book, monkeypatch):
    book.calibrated = True
    monkeypatch.setattr("mustwatch.cli.opening.now_ms", lambda: 1_780_000_000_000)

    assert calibrate(*THREE, "--save")["holds_from"] == "2026-05-28T20:26:40+00:00"
    assert book.saved[0][2] == 1_780_000_000_000


def test_a_calibration_may_hold_from_an_instant_of_the_past(book):
    calibrate(*THREE, "--save", "--since", "2026-05-28T22:26:40+02:00")

    assert book.saved[0][2] == 1_780_000_000_000


@pytest.mark.parametrize("since", ["yesterday", "2026-05-28", "2026-05-28T22:26:40"])
def test_an_instant_without_an_offset_is_refused(book, since):
    result = RUN.invoke(app, ["float-1", *THREE, "--save", "--since", since])

    assert result.exit_code == 2
    assert "expected ISO 8601 with an offset" in result.stderr
    assert book.saved == []


def test_checks_of_the_book_are_points_as_the_float_saw_them(book):
    book.checks = [
        Check(1_780_000_000_000, 61.0, 1.090, 25.0),
        Check(1_780_500_000_000, 26.0, 1.000, None),
    ]
    document = calibrate("--from-checks")

    assert document["points"][0]["gravity"] == 1.0
    assert document["points"][1]["gravity"] == pytest.approx(reading_from_gravity_20(1.090, 25.0), abs=1e-5)


def test_checks_and_points_go_together(book):
    book.checks = [Check(1_780_000_000_000, 61.0, 1.090, 20.0)]

    assert len(calibrate("--from-checks", "--point", "25.3:1.000")["points"]) == 2


def test_a_book_without_checks_says_what_to_do(book):
    result = RUN.invoke(app, ["float-1", "--from-checks"])

    assert result.exit_code == 1
    assert "mustwatch record measure" in result.stderr
    assert result.stderr.count("\n") == 1
