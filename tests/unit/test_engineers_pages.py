"""The pages for engineers: short enough to be read, and the reports say what their kept figures say."""

import subprocess
import sys
from pathlib import Path

PROJECT = Path(__file__).parents[2]
LONGEST_PAGE = 12 * 1024
"""Bytes a newcomer reads in a quarter of an hour."""


def test_the_engineers_page_is_read_in_a_quarter_of_an_hour() -> None:
    assert len((PROJECT / "DEVELOPERS.md").read_bytes()) <= LONGEST_PAGE


def test_every_report_says_what_its_kept_figures_say() -> None:
    checked = subprocess.run(
        [sys.executable, PROJECT / "tests" / "report.py", "--check"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert checked.returncode == 0, checked.stderr
