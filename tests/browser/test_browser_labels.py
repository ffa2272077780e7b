"""Labels as they are printed: each in its place on the sheet, nothing cut off, and a QR code that leads to the lot."""

import io
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import pytest
import zxingcpp
from PIL import Image
from playwright.sync_api import Browser, Page

from daemons import Daemon, wait_until
from mustwatch.config.label_sheets import label_sheets
from mustwatch.demo import free_port

CELLAR = """
[cellar]
name = "Hillside"
timezone = "UTC"
[mqtt]
port = 1
[web]
port = {web}
[[vessel]]
name = "carboy"
kind = "carboy"
litres = 23
"""
LOT = "Größe & <Rot> 2026"
MM = 96 / 25.4
"""Pixels of a millimetre in CSS."""


@dataclass
class Sheets:
    """A daemon with one lot, and its sheets of labels in a browser."""

    daemon: Daemon
    base: str
    page: Page

    def open(self, **asked: str | int) -> None:
        self.page.goto(
            f"{self.base}/lot/{LOT.replace('&', '%26')}/labels?"
            + "&".join(f"{k}={v}" for k, v in asked.items())
        )
        self.page.emulate_media(media="print")


@pytest.fixture
def sheets(daemon_with: Callable[[str], Daemon], chromium: Browser) -> Iterator[Sheets]:
    port = free_port()
    daemon = daemon_with(CELLAR.format(web=port))
    begun = (datetime.now(UTC) - timedelta(days=9)).isoformat(timespec="seconds")
    daemon.done(
        *(
            "record",
            "start",
            LOT,
            "--vessel",
            "carboy",
            "--gravity",
            "1.090",
            "--celsius",
            "20",
            "--litres",
            "21",
        ),
        *("--must", "Blaufränkisch from the upper field", "--at", begun),
    )
    daemon.start(listening=False)
    wait_until(lambda: "pages at" in daemon.said(), 20, "the pages are served")
    page = chromium.new_page(viewport={"width": 900, "height": 1200}, device_scale_factor=3)
    yield Sheets(daemon, f"http://127.0.0.1:{port}", page)
    page.close()


@pytest.mark.parametrize("name", label_sheets())
def test_each_label_is_in_its_place_and_nothing_of_it_is_cut_off(sheets: Sheets, name: str) -> None:
    sheet = label_sheets()[name]
    sheets.open(sheet=name, text="for the feast of Saint Martin")

    paper = sheets.page.locator(".sheet").bounding_box()
    assert paper is not None
    assert (paper["width"], paper["height"]) == (
        pytest.approx(210 * MM, abs=1),
        pytest.approx(297 * MM, abs=1),
    )
    labels = sheets.page.locator(".label")
    assert labels.count() == sheet.count
    for place in (0, sheet.columns - 1, sheet.count - 1):
        box = labels.nth(place).bounding_box()
        assert box is not None
        x, y = sheet.corner(place)
        found = [
            (box["x"] - paper["x"]) / MM,
            (box["y"] - paper["y"]) / MM,
            box["width"] / MM,
            box["height"] / MM,
        ]
        assert found == pytest.approx([x, y, sheet.width, sheet.height], abs=0.3)
    fits = "e => e.scrollHeight <= e.clientHeight + 1 && e.scrollWidth <= e.clientWidth + 1"
    assert labels.first.evaluate(fits), "something is cut off"
    assert not sheets.page.locator(".caution").is_visible()
    sheets.page.emulate_media(media="screen")
    assert "differs by country" in sheets.page.locator(".caution").inner_text()


def test_the_code_leads_to_the_lots_page(sheets: Sheets) -> None:
    sheets.open(sheet="2x4", count=1)
    picture = Image.open(io.BytesIO(sheets.page.locator(".label svg").screenshot()))

    (code,) = zxingcpp.read_barcodes(picture)
    assert code.text.startswith(f"{sheets.base}/lot/")
    answer = sheets.page.goto(code.text)
    assert answer is not None
    assert answer.status == 200
    assert sheets.page.locator("h1").inner_text() == LOT


def test_sulfites_are_named_once_they_were_added_and_words_are_no_markup(sheets: Sheets) -> None:
    sheets.open()
    assert "contains sulfites" not in sheets.page.locator(".label").first.inner_text()
    sheets.daemon.done("record", "add", LOT, "potassium metabisulfite", "1.0g", "--despite", "it is a must")
    sheets.open(of="vessel", skip=20, text="<b>bold</b>")

    label = sheets.page.locator(".label")
    assert label.count() == 1
    said = label.inner_text().splitlines()
    assert said[0] == LOT
    assert {"carboy", "contains sulfites", "<b>bold</b>"} <= set(said)
    assert any(line.endswith(", 21 L") for line in said)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--sheet", "9x9"), "--sheet '9x9' is unknown; expected one of 3x8, 3x7"),
        (("--skip", "21"), "--skip 21: expected 0 to 20"),
        (("--count", "0"), "--count 0: expected 1 to 500"),
    ],
)
def test_what_no_sheet_can_be_is_said_in_a_line(sheets: Sheets, words: tuple[str, ...], said: str) -> None:
    refused = sheets.daemon.command("labels", LOT, "--html", "-", *words)

    assert (refused.returncode, refused.stdout) == (2, "")
    assert said in refused.stderr
    assert len(refused.stderr.splitlines()) == 1
