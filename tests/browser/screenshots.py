"""Pictures of every page at phone and desk size in both schemes, by one command: ``make screenshots``.

The cellar is the invented one of the demo, at six in the morning after a cold night. All pictures go into
tests/browser/out/, the three of the README into tests/browser/pictures/.
"""

import argparse
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent))

from playwright.sync_api import Browser, Page, expect, sync_playwright  # noqa: E402

from browsers import CHROMIUM, FLAGS, SIZES  # noqa: E402
from mustwatch.app.web_backend import StoreHand  # noqa: E402
from mustwatch.app.web_server import WebServer  # noqa: E402
from mustwatch.store.store import Store  # noqa: E402
from mustwatch.web.access import AccessRules  # noqa: E402
from mustwatch.web.app import create_app  # noqa: E402
from web_cellar import NOW_MS, make_cellar  # noqa: E402

PAGES = {
    "cellar": "/",
    "night": "/night",
    "lot": "/lot/Hillside%20red",
    "kit": "/lot/Garage%20kit",
    "alerts": "/alerts",
    "sensors": "/sensors",
    "lots": "/lots",
    "begin": "/begin?vessel=tub",
}
README = {
    # name: days the cellar has lived, page, width, height, scheme, scale
    "cellar-phone": (21.0, "/", 390, 844, "light", 2),
    "night-phone": (21.0, "/night", 390, 844, "dark", 2),
    "lot-desktop": (7.5, "/lot/Cellar%20white", 1180, 1060, "light", 1),
}
WHOLE_DAYS = 21.0
"""The demo's three weeks."""
MOST_BYTES = 200_000
"""A README is read over slow lines too."""


def settle(page: Page) -> None:
    """Wait until everything is drawn."""
    if page.locator("#chart").count():
        expect(page.locator("#chart svg.curve").first).to_be_visible()
    page.wait_for_timeout(300)


def take(
    browser: Browser, address: str, to: Path, width: int, height: int, scheme: str, scale: int, *, whole: bool
) -> None:
    """Take one picture."""
    context = browser.new_context(
        viewport={"width": width, "height": height},
        color_scheme="dark" if scheme == "dark" else "light",
        device_scale_factor=scale,
        is_mobile=width < 500,
        has_touch=width < 500,
    )
    page = context.new_page()
    page.goto(address)
    settle(page)
    page.screenshot(path=to, full_page=whole)
    context.close()


def take_pages(browser: Browser, base: str, out: Path) -> None:
    """Take every page whole, in each size and scheme."""
    out.mkdir(parents=True, exist_ok=True)
    for name, path in PAGES.items():
        for size, viewport in SIZES.items():
            for scheme in ("light", "dark"):
                to = out / f"{name}-{size}-{scheme}.png"
                scale = 2 if size == "phone" else 1
                take(
                    browser, base + path, to, viewport["width"], viewport["height"], scheme, scale, whole=True
                )
                print(to)


def take_for_readme(browser: Browser, base: str, days: float) -> None:
    """Take those of the README's pictures that show the cellar at an age."""
    pictures = HERE / "pictures"
    pictures.mkdir(exist_ok=True)
    for name, (age, path, width, height, scheme, scale) in README.items():
        if age != days:
            continue
        to = pictures / f"{name}.png"
        take(browser, base + path, to, width, height, scheme, scale, whole=False)
        if to.stat().st_size > MOST_BYTES:
            raise SystemExit(f"{to} is {to.stat().st_size} bytes; expected at most {MOST_BYTES}")
        print(to)


@contextmanager
def served(days: float) -> Iterator[str]:
    """Make the cellar at an age and serve it; the block is given its address."""
    with tempfile.TemporaryDirectory() as folder:
        settings = make_cellar(Path(folder), days=days)
        store = Store(settings.store.path, NOW_MS)
        hand = StoreHand(store, settings, now_ms=lambda: NOW_MS)
        server = WebServer(create_app(hand, AccessRules()), "127.0.0.1", 0)
        try:
            if not server.start():
                raise SystemExit("the pages could not be served on 127.0.0.1")
            yield f"http://127.0.0.1:{server.port}"
        finally:
            server.stop()
            hand.close()
            store.close()


def main() -> None:
    """Take all pictures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, default=HERE / "out", help="where the whole pages go")
    out = parser.parse_args().out
    if CHROMIUM is None:
        raise SystemExit("no Chromium on this machine: apt-get install chromium")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        for days in sorted({age for age, *_ in README.values()}):
            with served(days) as base:
                take_for_readme(browser, base, days)
                if days == WHOLE_DAYS:
                    take_pages(browser, base, out)
        browser.close()


if __name__ == "__main__":
    main()
