"""A vessel or a sensor renamed or removed in the configuration: the lot that was in it is named everywhere."""

import time
from collections.abc import Callable
from contextlib import closing

import pytest
from attack_table import Row

from daemons import Daemon, wait_until
from endpoints import HttpEndpoint
from mustwatch.cellar.book import Entry, Start
from mustwatch.cellar.instant import DAY_MS
from mustwatch.config.plan import note_places, plan_of
from mustwatch.config.settings import load
from mustwatch.store.store import Store

CARBOY = '[[vessel]]\nname = "carboy"\nkind = "carboy"\nlitres = 23'


@pytest.mark.parametrize(
    ("changed", "gone"),
    [
        (('"bucket"\nkind', '"tub"\nkind'), "bucket is not in the configuration"),
        (('id = "float"', 'id = "flaot"'), "float, in its vessel bucket, is not in the configuration"),
    ],
)
def test_the_lot_is_named_by_start_check_cellar_and_a_message_until_it_is_written_where_it_is(
    bucket: Callable[..., Daemon],
    endpoint: HttpEndpoint,
    row: Callable[[str], Row],
    changed: tuple[str, str],
    gone: str,
) -> None:
    tried = row(f"in the configuration {changed[0].splitlines()[0]} becomes {changed[1].splitlines()[0]}")
    daemon = bucket("port = 1", tell=endpoint.url, more=CARBOY)
    now_ms = time.time_ns() // 1_000_000
    with closing(Store(daemon.store, now_ms)) as store:
        note_places(store, plan_of(load(daemon.config)), now_ms - DAY_MS)
        start = Start("bucket", gravity=1.05, temperature_c=19.0)
        store.book.append(Entry("start", "kit", now_ms - DAY_MS, now_ms - DAY_MS, start))
    text = daemon.config.read_text().replace(*changed)
    if changed[1].startswith('"tub"'):
        text = text.replace('vessel = "bucket"', 'vessel = "tub"')
    elif changed[1].startswith("id"):
        text = text.replace('vessel = "bucket"', 'vessel = "carboy"')
    daemon.config.write_text(text)

    assert (
        f"nobody watches kit: {'its vessel ' if 'bucket is' in gone else ''}{gone}"
        in daemon.command("check").stdout
    )
    began = time.monotonic()
    daemon.start(listening=False)
    assert "nobody watches lot=kit" in daemon.said()
    wait_until(
        lambda: any("nobody watches it" in a.title.lower() for a in endpoint.arrived), 30, "it is told"
    )
    tried.tried, tried.told_late = 1, int(time.monotonic() - began > 60)
    assert gone in " ".join(str(v["unwatched"]) for v in daemon.json("cellar")["vessels"])

    daemon.done("record", "rack", "kit", "--to", "carboy")
    wait_until(
        lambda: not any(v["unwatched"] for v in daemon.json("cellar")["vessels"]), 30, "it is watched again"
    )
    daemon.stop()
