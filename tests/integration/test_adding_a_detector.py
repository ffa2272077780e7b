"""A detector is added as the engineers' page says, by the files it names alone; then it is found, told and remembered."""

import os
import re
import shutil
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from brokers import Broker
from cellars import gravity_at
from daemons import Daemon, wait_until
from endpoints import HttpEndpoint
from mustwatch.cellar.book import Entry, Start
from mustwatch.cellar.instant import DAY_MS, MINUTE_MS
from mustwatch.cellar.reading import Reading
from mustwatch.config.plan import note_places, plan_of
from mustwatch.config.settings import load
from mustwatch.demo import free_port
from mustwatch.store.store import Store

PROJECT = Path(__file__).parents[2]

FINDING = '''
"""Half way: the wine has come down by half of what it has to fall."""

from collections.abc import Iterable
from dataclasses import dataclass

from mustwatch.cellar.quantities import GravityChange
from mustwatch.watch.detector import NOTHING, OneLatch
from mustwatch.watch.finding import About, Curve, Drawn, Evidence, FindingKind, Severity, Transition
from mustwatch.watch.slot_view import SlotView
from mustwatch.watch.standing import Standing


@dataclass(frozen=True, slots=True)
class Fallen(Standing):
    """How the wine stands, and how far it has fallen."""

    fall_gravity: GravityChange


KIND = FindingKind("half-way", About.WINE, Fallen, drawn=Drawn(Curve.GRAVITY))


@dataclass(slots=True)
class HalfWay(OneLatch):
    """Raised once half of the fall to the expected end is behind it."""

    kinds = (KIND,)
    first: float = 0.0

    def judge(self, view: SlotView) -> Iterable[Transition]:
        """Judge one closed slot."""
        first, gravity = view.estimator.first_gravity, view.gravity
        if first is None or gravity is None or not view.heard or gravity > (first + 0.995) / 2:
            return NOTHING
        self.first = first
        return self.latch.set(view.at_ms, view.subject, Severity.NOTICE, self.evidence(view))

    def evidence(self, view: SlotView) -> Evidence:
        """Return how far it has fallen."""
        return Fallen.of(view, fall_gravity=GravityChange(round(self.first - (view.gravity or 0.0), 4)))
'''
WORDS = '''
"""The wine has come down by half of what it has to fall."""

from mustwatch.alerting.phrasing import Numbers, Phrases, gravity_now


def say(n: Numbers) -> Phrases:
    return Phrases(
        what="half way down",
        over="no longer half way down",
        why=(gravity_now(n), n.say("It has fallen by {fall_gravity}.")),
        next="Look after the next wine.",
    )
'''
EXAMPLE = '''
"""half-way: what its evidence looks like, and what hovers around its threshold."""

from random import Random

from mustwatch.watch.finding import Figures
from mustwatch.watch.slot_view import SlotView

EVIDENCE: Figures = {"gravity": 1.0231, "rate_per_day": -0.0121, "celsius": 19.0, "fall_gravity": 0.0269}


def hover(view: SlotView, random: Random) -> None:
    """Around half of a fall from 1.080 to 0.995."""
    view.gravity = 1.0375 + random.gauss(0, 0.0008)
'''
FILES = {
    "watch/findings/KIND.py": ("daemon/mustwatch/watch/findings/half_way.py", FINDING),
    "alerting/words/KIND.py": ("daemon/mustwatch/alerting/words/half_way.py", WORDS),
    "tests/examples/KIND.py": ("tests/examples/half_way.py", EXAMPLE),
}
"""By how the page names each: where it goes, and what is in it."""


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a copy of the project to which the files that the page names have been added, and nothing else."""
    copy = tmp_path_factory.mktemp("house")
    for part in ("daemon", "simulators", "tests", "config"):
        leave = shutil.ignore_patterns("__pycache__", "kept", "out", "pictures", "stores")
        shutil.copytree(PROJECT / part, copy / part, ignore=leave)
    shutil.copy(PROJECT / "pyproject.toml", copy)
    page = (PROJECT / "DEVELOPERS.md").read_text(encoding="utf-8")
    (how,) = re.findall(r"^\*\*A detector\*\*.*?\n\n", page, re.MULTILINE | re.DOTALL)
    named = re.findall(r"`([\w/]+/KIND\.py)", how)
    assert named == list(FILES)
    for file in named:
        place, text = FILES[file]
        (copy / place).write_text(text.lstrip(), encoding="utf-8")
    return copy


def python_path(house: Path) -> str:
    """Return what has Python take the copy's packages, not the project's."""
    return os.pathsep.join(str(house / part) for part in ("daemon", "simulators", "tests"))


def test_the_contracts_of_all_kinds_take_it_up_by_themselves(house: Path) -> None:
    tests = ["tests/contract/test_detector_contract.py", "tests/unit/test_alert_wording.py"]
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", *tests, "-k", "half or Half"],
        cwd=house,
        env={**os.environ, "PYTHONPATH": python_path(house)},
        capture_output=True,
        text=True,
        check=False,
    )

    assert done.returncode == 0, done.stdout
    passed = re.search(r"(\d+) passed", done.stdout)
    assert passed is not None
    assert int(passed[1]) >= 15, done.stdout


def test_it_passes_the_project_s_types(house: Path) -> None:
    files = [place for place, _ in FILES.values() if place.startswith("daemon")]
    done = subprocess.run(
        [sys.executable, "-m", "mypy", "--strict", *files],
        cwd=house,
        capture_output=True,
        text=True,
        check=False,
    )

    assert done.returncode == 0, done.stdout


@pytest.mark.broker
def test_it_is_found_told_shown_and_remembered_through_a_restart(
    house: Path, mosquitto: Broker, daemon_with: Callable[[str], Daemon], http_endpoint: HttpEndpoint
) -> None:
    port = free_port()
    daemon = daemon_with(
        f'[mqtt]\nport = {mosquitto.port}\n[web]\nport = {port}\n[[tell]]\nurl = "{http_endpoint.url}"\n'
        'quiet_hours = ""\n[cellar]\nbacklog_hours = 10000\n'
        '[[vessel]]\nname = "bucket"\nkind = "bucket"\nlitres = 30\n'
        '[[sensor]]\nid = "float"\nkind = "float"\nvessel = "bucket"\ntopic = "cellar/float"\ndecoder = "senml"\n'
    )
    daemon.environment["PYTHONPATH"] = python_path(house)
    plan, now_ms = plan_of(load(daemon.config)), time.time_ns() // 1_000_000
    from_ms = now_ms - 6 * DAY_MS
    with closing(Store(daemon.store, from_ms)) as store:
        note_places(store, plan, from_ms)
        said = (
            Reading("float", at_ms, at_ms, round(gravity_at((at_ms - from_ms) / DAY_MS), 4), None, 19.0)
            for at_ms in range(from_ms, now_ms - 60 * MINUTE_MS, 15 * MINUTE_MS)
        )
        store.readings.add(list(said))
        store.book.append(Entry("start", "kit", from_ms, from_ms, Start("bucket", gravity=1.050)))

    daemon.start()
    wait_until(lambda: [a for a in daemon.json("alerts") if a["kind"] == "half-way"], 60, "it is found")
    wait_until(lambda: "Half way down: kit in bucket" in http_endpoint.titles(), 60, "somebody is told of it")
    (found,) = (a for a in daemon.json("alerts") if a["kind"] == "half-way")
    assert found["summary"].startswith("Half way down: kit in bucket. Gravity is ")
    assert found["evidence"]["fall_gravity"] > 0.02
    with urllib.request.urlopen(f"http://127.0.0.1:{port}/alerts", timeout=20) as answer:
        page = answer.read().decode()
    assert "Half way down: kit in bucket" in page
    assert '<th scope="row">Fall gravity</th>' in page
    assert f'id="{found["id"]}"' in page
    assert daemon.stop() == 0

    told = http_endpoint.titles().count("Half way down: kit in bucket")
    daemon.start()
    (again,) = (a for a in daemon.json("alerts") if a["kind"] == "half-way")
    assert (again["id"], again["opened_at"], again["cleared_at"]) == (found["id"], found["opened_at"], None)
    assert daemon.stop() == 0
    assert http_endpoint.titles().count("Half way down: kit in bucket") == told
