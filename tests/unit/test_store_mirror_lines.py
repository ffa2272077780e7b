"""Line protocol as the mirror writes it. Source of the expected lines: InfluxDB OSS v2, "Line protocol" reference."""

import pytest

from mustwatch.cellar.history import BEGINNING_MS, SensorStay
from mustwatch.cellar.reading import Reading, Stamp
from mustwatch.store.mirror_lines import Lines, joined, line, tag_as_written
from mustwatch.store.mirror_places import differences
from mustwatch.watch.estimate import Estimate

AT_MS = 1_788_220_800_000
LINES = Lines("home", "my shed")


# Escaping: comma, equals sign and space in tags; double quote and backslash in strings.
@pytest.mark.parametrize(
    ("tag", "written"),
    [
        ("plain", "plain"),
        ("north, 2", r"north\,\ 2"),
        ("a=b", r"a\=b"),
        ("weiß 20 °C", r"weiß\ 20\ °C"),
        ("two\nlines", r"two\ lines"),
        ("back\\slash\\", "back⧵slash⧵"),
    ],
)
def test_a_tag_is_escaped_so_that_it_reads_back(tag: str, written: str) -> None:
    assert line("m", {"t": tag}, {"f": 1.0}, 0) == f"m,t={written} f=1.0 0"


def test_a_backslash_in_a_name_comes_back() -> None:
    assert tag_as_written("back⧵slash") == "back\\slash"


@pytest.mark.parametrize(
    ("value", "written"),
    [
        (1.05, "1.05"),
        (1.0, "1.0"),
        (1e-7, "1e-07"),
        (7, "7i"),
        (True, "true"),
        (False, "false"),
        ('say "hi" \\ bye', r'"say \"hi\" \\ bye"'),
    ],
)
def test_a_field_says_its_type(value: float | int | str | bool, written: str) -> None:
    assert line("m", {}, {"f": value}, 0) == f"m f={written} 0"


def test_what_is_not_known_is_left_out_and_a_point_without_fields_is_none() -> None:
    assert line("m", {"a": None, "b": ""}, {"x": None, "y": 1}, 5) == "m y=1i 5000000"
    assert line("m", {"a": "b"}, {"x": None}, 5) == ""
    assert joined(["a", "", "b"]) == b"a\nb"


def test_a_reading_carries_what_was_said_where_and_when() -> None:
    reading = Reading("float", AT_MS, AT_MS + 900, 1.0525, None, 19.5, 3.7, -70.0, Stamp.ARRIVAL)
    assert LINES.reading(reading, "float", "bucket", "kit") == (
        r"reading,site=home,cellar=my\ shed,sensor=float,kind=float,vessel=bucket,lot=kit "
        f"gravity=1.0525,celsius=19.5,battery_v=3.7,signal_dbm=-70.0,received_ms={AT_MS + 900}i,stamp=1i "
        f"{AT_MS}000000"
    )


def test_a_number_is_a_float_for_the_server_even_if_it_is_whole() -> None:
    """The first value written decides a field's type: 20 as an integer would refuse 20.5 for a week."""
    assert "gravity=1.0," in LINES.estimate("kit", Estimate(AT_MS, 1, 0.001, None, None, 20))


def test_what_holds_since_ever_is_written_at_the_beginning_of_its_time() -> None:
    written = LINES.place(SensorStay("float", "bucket", BEGINNING_MS))
    assert written.endswith(" 0")
    assert str(BEGINNING_MS) in written


def test_two_timelines_differ_where_they_say_different_places() -> None:
    bucket, carboy, nowhere = ("bucket", "kit"), ("carboy", "kit"), (None, None)
    before = ((BEGINNING_MS, nowhere), (10, bucket))
    now = ((BEGINNING_MS, nowhere), (10, bucket), (20, carboy))

    assert [(a, was) for a, _, was in differences(before, now)] == [(20, bucket)]
    assert [
        (a, b) for a, b, _ in differences(now, ((BEGINNING_MS, nowhere), (10, bucket), (30, carboy)))
    ] == [(20, 30)]
    assert list(differences(now, now)) == []
