"""A card that the kernel has made read-only, as it does with a worn one: the daemon stays, tells, and loses nothing."""

import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from attack_table import Row

from brokers import NativeBroker, missing
from daemons import Daemon, wait_until
from endpoints import HttpEndpoint
from mustwatch.store.store import Store

CARD_MB = 48
FLOAT = """
decoder = "json"
fields = { gravity = { path = "g", unit = "SG" }, time = { path = "t", unit = "epoch_s" } }
"""
TOLD = "mustwatch cannot write to its card"


class WornCard:
    """A small ext4 of its own, which gives up as one does whose card no longer takes what is written."""

    def __init__(self, folder: Path) -> None:
        """Make and mount it."""
        self.image, self.path = folder / "card.img", folder / "card"
        self.path.mkdir()
        self.image.write_bytes(b"")
        with self.image.open("r+b") as image:
            image.truncate(CARD_MB * 1024 * 1024)
        _run("mkfs.ext4", "-q", str(self.image))
        self.mount()

    def mount(self) -> None:
        """Mount it (again), mended."""
        subprocess.run(["fsck.ext4", "-p", str(self.image)], capture_output=True, check=False)
        _run("mount", "-o", "loop,errors=remount-ro", str(self.image), str(self.path))
        device = _run("findmnt", "-no", "SOURCE", str(self.path)).strip()
        self._trigger = Path("/sys/fs/ext4") / Path(device).name / "trigger_fs_error"

    def give_up(self) -> None:
        """Have the kernel find an error: from now on nothing can be written."""
        self._trigger.write_text("1")

    def unmount(self) -> None:
        """Unmount it."""
        subprocess.run(["umount", str(self.path)], capture_output=True, check=False)


def _run(*command: str) -> str:
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        missing(
            f"no file system of one's own can be mounted (root, loop devices, ext4): {done.stderr.strip()}"
        )
    return done.stdout


@pytest.fixture
def card(tmp_path: Path) -> Iterator[WornCard]:
    made = WornCard(tmp_path)
    yield made
    made.unmount()


def publish(broker: NativeBroker, first: int, count: int) -> None:
    now_s = int(time.time()) - 4000
    broker.publish(
        *[("cellar/float", b'{"g": 1.05, "t": %d}' % (now_s + n)) for n in range(first, first + count)]
    )


@pytest.mark.broker
def test_it_stays_tells_once_and_stores_everything_on_a_card_that_is_well(
    bucket: Callable[..., Daemon],
    mosquitto: NativeBroker,
    endpoint: HttpEndpoint,
    card: WornCard,
    row: Callable[[str], Row],
) -> None:
    tried = row("the card becomes read-only amid the work, and is so at the next start")
    daemon = bucket(f"port = {mosquitto.port}", float_=FLOAT, tell=endpoint.url)
    config = daemon.config.read_text().replace(str(daemon.store), str(card.path / "cellar.db"))
    daemon.config.write_text(config)
    daemon.store = card.path / "cellar.db"
    daemon.start()
    publish(mosquitto, 0, 50)
    wait_until(lambda: count(daemon) == 50, 20, "what came while it was well")

    card.give_up()
    publish(mosquitto, 50, 50)
    wait_until(lambda: said(endpoint) == 1, 40, "it is told")
    assert daemon.process is not None
    assert daemon.process.poll() is None, daemon.said()
    daemon.kill()
    daemon.start(until=("the store cannot be opened", "keeping watch"))
    wait_until(lambda: said(endpoint) == 2, 40, "it is told after a start, too")
    assert daemon.process.poll() is None, daemon.said()
    publish(mosquitto, 100, 50)
    daemon.kill()
    card.unmount()
    card.mount()
    daemon.start()
    wait_until(lambda: count(daemon) >= 150, 20, "everything the broker kept")
    daemon.stop()

    tried.tried, tried.lost, tried.told_twice = 2, 150 - count(daemon), said(endpoint) - 2
    assert (tried.lost, tried.told_twice) == (0, 0)


def count(daemon: Daemon) -> int:
    store = Store(daemon.store, 0)
    try:
        return store.readings.count()
    finally:
        store.close()


def said(endpoint: HttpEndpoint) -> int:
    return sum(a.title == TOLD for a in endpoint.arrived)
