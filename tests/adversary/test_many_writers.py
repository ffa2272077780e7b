"""Twenty hands at once on one store: everything each of them wrote is there, once."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from pathlib import Path

from attack_table import Row

from cellars import T0, entry, new_store
from mustwatch.cellar.book import Note, Start
from mustwatch.store.store import Store

WRITERS, NOTES = 20, 5


def test_twenty_writers_lose_nothing(tmp_path: Path, row: Callable[[str], Row]) -> None:
    tried = row("twenty writers at once, each with the file open by itself")
    path = tmp_path / "c.db"
    new_store(path, entry(0, Start("bucket", gravity=1.05))).close()

    def write(writer: int) -> None:
        with closing(Store(path, T0)) as store:
            for note in range(NOTES):
                store.book.append(entry(1.0, Note(f"{writer}, {note}"), f"note-{writer}-{note}"))

    with ThreadPoolExecutor(WRITERS) as pool:
        list(pool.map(write, range(WRITERS)))

    with closing(Store(path, T0)) as store:
        found = [e.id for e in store.book.entries("kit") if isinstance(e.what, Note)]
    tried.tried = WRITERS * NOTES
    tried.lost = tried.tried - len(set(found))
    tried.told_twice = len(found) - len(set(found))
    assert (tried.lost, tried.told_twice) == (0, 0)
