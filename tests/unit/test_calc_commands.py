"""``mustwatch calc``: figures with their method and source, and one line where the input is wrong."""

import json
import subprocess
import sys

import pytest
from typer.testing import CliRunner

from mustwatch.cli.calc import app

RUN = CliRunner()


def calc(*arguments: str) -> dict:
    """Run a subcommand with --json and return its document."""
    result = RUN.invoke(app, [*arguments, "--json"])
    assert result.exit_code == 0, result.stderr
    assert result.stderr == ""
    return json.loads(result.stdout)


def test_correct_tells_gravity_at_20_degrees():
    # Water ratio, CIPM: 1.090 read at 30 °C on a scale for 20 °C is 1.0928.
    document = calc("correct", "--gravity", "1.090", "--celsius", "30")

    assert document["gravity"] == pytest.approx(1.09280, abs=2e-5)
    assert document["correction"] == pytest.approx(0.00280, abs=2e-5)
    assert document["gravity_by_liquid_and_glass"] == pytest.approx(1.0932, abs=2e-4)


def test_correct_knows_the_scale_for_60_fahrenheit():
    # 1.000 at 20 °C on a 60 °F scale: 999.017/998.207.
    document = calc("correct", "--gravity", "1.000", "--celsius", "68F", "--calibrated-at", "60F")

    assert document["gravity"] == pytest.approx(1.00081, abs=1e-5)


@pytest.mark.parametrize("way", [["--brix", "22"], ["--brix", "22Bx"], ["--gravity", "22Bx"], ["22Bx"]])
def test_sugar_tells_the_same_from_every_way_of_saying_brix(way):
    # ICUMSA: 22 °Bx is 1.09189 and 239.8 g/L.
    document = calc("sugar", *way)

    assert document["gravity"] == pytest.approx(1.09189, abs=1e-5)
    assert document["brix"] == pytest.approx(22.0, abs=1e-3)
    assert document["sugar_g_per_l"] == pytest.approx(239.8, abs=0.05)


def test_sugar_tells_the_alcohol_a_grape_must_can_make():
    # Dubrunfaut: 90 °Oe hold 209.4 g/L; at 16.83 g/L per % vol that is 12.44.
    document = calc("sugar", "--gravity", "1.090")

    assert document["fermentable_g_per_l"] == pytest.approx(209.4, abs=0.1)
    assert document["potential_abv_percent"] == pytest.approx(12.44, abs=0.01)
    low, high = document["potential_abv_range_percent"]
    assert low < 12.44 < high


def test_alcohol_tells_a_range_that_holds_the_trades_rule():
    document = calc("alcohol", "--from", "1.090", "--to", "0.994")
    low, high = document["abv_range_percent"]

    assert document["by_method"]["factor"] == pytest.approx(12.60, abs=0.01)  # 131.25 · 0.096
    assert low <= document["abv_percent"] <= high
    assert low <= 12.60 <= high
    assert document["residual_sugar_g_per_l"] < 10


def test_sulfite_tells_the_free_target_and_the_grams():
    # 31.9 mg/L free at pH 3.4 (extension table: 32); 31.92 · 23 / 1000 / 0.5763 = 1.274 g.
    document = calc("sulfite", "--litres", "23", "--ph", "3.4", "--target-molecular", "0.8")

    assert document["free_target_mg_per_l"] == pytest.approx(31.9, abs=0.1)
    assert document["metabisulfite_g"] == pytest.approx(1.274, abs=0.002)
    assert document["stock_ml"] == pytest.approx(12.74, abs=0.02)
    assert document["cautions"]


def test_chaptalise_tells_sugar_and_the_room_it_takes():
    document = calc("chaptalise", "--litres", "23L", "--gravity", "1.070", "--target-gravity", "1.090")

    assert document["sugar_g"] == pytest.approx(1415, abs=5)
    assert document["final_litres"] == pytest.approx(23 + 0.62 * 1.415, abs=0.02)


def test_dilute_brings_a_must_down():
    document = calc("dilute", "--litres", "10", "--gravity", "1.100", "--target-gravity", "1.090")

    # Nearly 10 · 0.100/0.090, by weight.
    assert document["final_litres"] == pytest.approx(11.11, abs=0.02)


def test_topping_up_with_water_thins_alcohol():
    document = calc("topup", "--litres", "22", "--gravity", "0.994", "--with-litres", "1", "--abv", "12")

    assert document["abv_percent"] == pytest.approx(12 * 22 / 23, abs=0.01)


def test_blend_leaves_alcohol_open_where_one_is_not_known():
    document = calc(
        "blend",
        "--litres",
        "5",
        "--gravity",
        "1.0",
        "--with-litres",
        "5",
        "--with-gravity",
        "1.01",
        "--abv",
        "12",
    )

    assert document["gravity"] == pytest.approx(1.005)
    assert document["abv_percent"] is None


CASES = {
    "correct": ["correct", "--gravity", "1.050", "--celsius", "25"],
    "sugar": ["sugar", "--gravity", "1.050"],
    "alcohol": ["alcohol", "--from", "1.090", "--to", "0.994"],
    "sulfite": ["sulfite", "--litres", "23", "--ph", "3.4", "--target-molecular", "0.8"],
    "chaptalise": ["chaptalise", "--litres", "23", "--gravity", "1.07", "--target-gravity", "1.09"],
    "dilute": ["dilute", "--litres", "23", "--gravity", "1.1", "--target-gravity", "1.09"],
    "blend": ["blend", "--litres", "5", "--gravity", "1.0", "--with-litres", "5", "--with-gravity", "1.01"],
    "topup": ["topup", "--litres", "5", "--gravity", "1.0", "--with-litres", "1"],
}


@pytest.mark.parametrize("name", CASES)
def test_every_figure_says_its_method_and_source_in_both_forms(name):
    document = calc(*CASES[name])
    readable = RUN.invoke(app, CASES[name])

    assert document["method"]
    assert document["source"]
    assert f"method: {document['method']}" in readable.stdout
    assert f"source: {document['source']}" in readable.stdout
    for caution in document.get("cautions", ()):
        assert f"caution: {caution}" in readable.stdout


@pytest.mark.parametrize("name", CASES)
def test_every_subcommand_has_help(name):
    result = RUN.invoke(app, [name, "--help"])

    assert result.exit_code == 0
    assert "--json" in result.stdout


@pytest.mark.parametrize("name", ["alcohol", "sulfite", "chaptalise"])
def test_what_can_hurt_carries_its_caution(name):
    words = {"alcohol": "bursts", "sulfite": "asthma", "chaptalise": "foams over"}

    assert words[name] in RUN.invoke(app, CASES[name]).stdout


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["sugar", "--gravity", "105"], "did you mean 1.050?"),
        (["sugar", "22"], "22 has no unit"),
        (["sugar"], "expected one"),
        (["sugar", "--gravity", "1.05", "--brix", "12"], "expected one"),
        (["correct", "--gravity", "1.05", "--celsius", "68"], "did you mean 68F?"),
        (["correct", "--gravity", "1.05", "--celsius", "20", "--calibrated-at", "60"], "did you mean 60F?"),
        (["correct", "--gravity", "much", "--celsius", "20"], "not a number"),
        (["alcohol", "--from", "0.994", "--to", "1.090"], "swapped"),
        (["sulfite", "--litres", "23", "--ph", "34", "--target-molecular", "0.8"], "did you mean 3.4?"),
        (["sulfite", "--litres", "-23", "--ph", "3.4", "--target-molecular", "0.8"], "more than 0 L"),
        (["sulfite", "--litres", "23", "--ph", "3.4", "--target-molecular", "-1"], "molecular SO2 -1"),
        (["sulfite", "--litres", "23", "--ph", "3.4", "--target-molecular", "80"], "expected 0 to 5"),
        (
            ["chaptalise", "--litres", "23", "--gravity", "1.09", "--target-gravity", "1.07"],
            "below the must's",
        ),
        (["chaptalise", "--litres", "0", "--gravity", "1.07", "--target-gravity", "1.09"], "more than 0 L"),
        (["dilute", "--litres", "5", "--gravity", "1.05", "--target-gravity", "1.09"], "above the must's"),
    ],
)
@pytest.mark.parametrize("form", [[], ["--json"]])
def test_wrong_input_exits_2_with_one_line(arguments, says, form):
    result = RUN.invoke(app, [*arguments, *form])

    assert result.exit_code == 2
    assert result.stdout == ""
    assert says in result.stderr
    assert result.stderr.count("\n") == 1


def test_a_dose_over_the_limit_could_not_be_done():
    result = RUN.invoke(app, ["sulfite", "--litres", "23", "--ph", "4.2", "--target-molecular", "0.9"])

    assert result.exit_code == 1
    assert result.stdout == ""
    assert "over the limit of 200 mg/L" in result.stderr


def test_the_arithmetic_starts_without_heavy_libraries():
    probe = (
        "import sys, mustwatch.cli.calc;"
        "print([m for m in ('rich', 'numpy', 'pydantic', 'sqlite3', 'paho', 'fastapi') if m in sys.modules])"
    )
    loaded = subprocess.run([sys.executable, "-c", probe], capture_output=True, text=True, check=True)

    assert loaded.stdout.strip() == "[]"
