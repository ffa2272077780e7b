"""An upgrade keeps a season: the store that each released version wrote is opened by this one, and goes on.

``stores/VERSION.sqlite.xz`` is a backup that the version itself made of the cellar in ``cellars.py``: nine days of
readings, a check, a racking, a note. At a release, one more is added.
"""

import lzma
from pathlib import Path

import pytest

from cellars import T0, conclusions, evaluate, readings
from mustwatch.cellar.book import Measurement, Note, Racking, Start
from mustwatch.store.backup import put_back, verify
from mustwatch.store.store import Store

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
