"""An upgrade keeps a season: the store that each released version wrote is opened by this one, and goes on.

``stores/VERSION.sqlite.xz`` is a backup that the version itself made of the cellar in ``cellars.py``: nine days of
readings, a check, a racking, a note. At a release, one more is added.
"""

import lzma
from pathlib import Path

import pytest

from cellars import T0, conclusions, evaluate, readings
from mustwatch.cellar.book import Measurement, Note, Racking, Start
from mustwatch.cellar.instant import DAY_MS
from mustwatch.cellar.so2 import left
from mustwatch.cellar.strength import strength_of
from mustwatch.store.backup import put_back, verify
from mustwatch.store.store import Store
from mustwatch.views.book_words import what_was_done
from mustwatch.views.measured import measured_json

STORES = sorted((Path(__file__).parent / "stores").glob("*.sqlite.xz"))


@pytest.fixture(params=STORES, ids=lambda path: path.name.removesuffix(".sqlite.xz"))
def kept(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """Return a former version's backup, unpacked."""
    backup = tmp_path / "backup.db"
    backup.write_bytes(lzma.decompress(request.param.read_bytes()))
    return backup


def test_a_store_of_every_released_version_is_kept() -> None:
    changelog = (Path(__file__).parents[2] / "CHANGELOG.md").read_text(encoding="utf-8")
    released = [line.split("]")[0][4:] for line in changelog.splitlines() if line.startswith("## [")]

    assert [path.name.removesuffix(".sqlite.xz") for path in STORES] == sorted(set(released) - {"Unreleased"})


def test_what_it_holds_is_there_and_the_watch_goes_on(kept: Path, tmp_path: Path) -> None:
    assert verify(kept)["reading"] == 864
    put_back(kept, tmp_path / "cellar.db")
    store = Store(tmp_path / "cellar.db", T0)

    entries = store.book.entries()
    assert [type(e.what) for e in entries] == [Start, Measurement, Racking, Note]
    assert entries[3].what == Note(text="a note, as it was written: größe")
    assert store.readings.count() == 864
    assert len(store.alerts.recent(-(2**62))) >= 3

    evaluate(store, [readings(10.0, from_day=9.0)])
    (lot,) = store.watching.now()
    assert lot == "kit"
    assert store.readings.count() == 960
    assert "finished" in conclusions(store) or "rack-due" in conclusions(store)
    store.close()


def test_its_book_means_what_it_meant(kept: Path, tmp_path: Path) -> None:
    """The figures are what version 0.1.0's own code says of this book, written down from a run of it."""
    put_back(kept, tmp_path / "cellar.db")
    store = Store(tmp_path / "cellar.db", T0)

    assert [what_was_done(entry.what) for entry in store.book.entries()] == [
        "began in bucket, 23 L, gravity 1.0500, 19.0 °C, profile default",
        "checked by hand: gravity 1.0030, 19.5 °C",
        "racked to carboy, 22 L, gravity 1.0030, 19.5 °C, float went along",
        "a note, as it was written: größe",
    ]
    lot = store.book.history().lots["kit"]
    assert [(stay.vessel, stay.from_ms - T0) for stay in lot.stays] == [
        ("bucket", 0),
        ("carboy", 440_639_999),
    ]
    assert [(at_ms - T0, stage.value) for at_ms, stage in lot.stages] == [
        (0, "primary"),
        (440_639_999, "secondary"),
    ]
    assert (lot.vessel, lot.litres) == ("carboy", 22.0)
    strength = strength_of(lot, [])
    assert strength is not None
    assert strength.abv_percent == pytest.approx(5.9531, abs=1e-4)
    assert measured_json(lot.entries) == []
    assert left(lot, 23.0, None, T0 + 10 * DAY_MS) is None
    store.close()
