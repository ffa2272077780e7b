"""Whatever happens to a store, and however often the mirror fails in between: what stands there is what is here.

The other side is a dictionary that does with lines what InfluxDB does: a point is its series and instant, a field
written again replaces the former.
"""

import random
import re
import shutil
import tempfile
from pathlib import Path

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, rule

from cellars import T0, new_store
from mustwatch.alerting.alert import Alert, Raise
from mustwatch.cellar.book import Entry, Move, Note, Racking, What
from mustwatch.cellar.history import SensorStay
from mustwatch.cellar.instant import HOUR_MS, MINUTE_MS
from mustwatch.cellar.reading import Reading, Stamp
from mustwatch.store.mirror import Mirror
from mustwatch.store.mirror_audit import EVERY_S
from mustwatch.store.mirror_influx import Whose
from mustwatch.store.mirror_lines import Lines
from mustwatch.store.mirror_marker import Marker, Standing, newest
from mustwatch.store.mirror_spool import Spool
from mustwatch.store.mirror_verdict import ServerError, Verdict
from mustwatch.watch.estimate import Estimate
from mustwatch.watch.finding import Severity, Subject, kind_named

MEMORY = Path("/dev/shm") if Path("/dev/shm").is_dir() else None
_LINE = re.compile(r"^((?:[^ \\]|\\.)+) (.*) (\d+)$")
_FIELD = re.compile(r'(\w+)=("(?:[^"\\]|\\.)*"|[^,]+)')
Point = tuple[str, int]


class There:
    """The other side."""

    shown = "there"

    def __init__(self) -> None:
        self.points: dict[Point, dict[str, str]] = {}
        self.fails = 0.0
        self.dice = random.Random(1)

    def write(self, body: bytes) -> None:
        lines = body.decode().splitlines()
        if self.dice.random() < self.fails:
            self._take(lines[: self.dice.randint(0, len(lines))])  # a part may have been taken all the same
            raise ServerError(Verdict.PASSING, "away")
        self._take(lines)

    def _take(self, lines: list[str]) -> None:
        for line in lines:
            match = _LINE.match(line)
            assert match is not None, line
            series, fields, at_ns = match.groups()
            point = self.points.setdefault((series, int(at_ns)), {})
            point.update(_FIELD.findall(fields))

    def close(self) -> None:
        return

    def standing(self, whose: Whose) -> Standing:
        return Standing(
            0,
            newest(
                Marker.of_record(
                    {"instance": series.rpartition("=")[2], "serial": of["serial"][:-1], "body": _text(of)}
                )
                for (series, _), of in self.points.items()
                if series.startswith("mirror,")
            ),
        )

    def count_readings(self, whose: Whose, from_ms: int, until_ms: int) -> int:
        return sum(
            series.startswith("reading,") and "received_ms" in of and from_ms <= at_ns // 1_000_000 < until_ms
            for (series, at_ns), of in self.points.items()
        )

    def points_of(self, measurement: str) -> dict[Point, dict[str, str]]:
        return {
            key: {k: v for k, v in fields.items() if k != "withdrawn"}
            for key, fields in self.points.items()
            if key[0].startswith(f"{measurement},") and fields.get("withdrawn") != "true"
        }


def _text(of: dict[str, str]) -> str:
    return re.sub(r"\\(.)", r"\1", of["body"][1:-1])


minutes = st.integers(0, 600)
sensors = st.sampled_from(["float", "probe"])


class MirrorFollows(RuleBasedStateMachine):
    """A store to which everything happens, and a mirror that is restarted and refused at will."""

    @initialize()
    def begin(self) -> None:
        self.folder = Path(tempfile.mkdtemp(dir=MEMORY))
        self.store = new_store(self.folder / "c.db")
        self.there = There()
        self.now_ms = T0 + 10 * HOUR_MS
        self.mono_s = 0.0
        self.count = 0
        self.restart()

    @rule()
    def restart(self) -> None:
        self.mirror = Mirror(
            self.store,
            self.there,
            Lines("home", "shed"),
            "there",
            {"float": "float", "probe": "probe"},
            clock_ms=lambda: self.now_ms,
            mono_s=lambda: self.mono_s,
        )

    @rule(fails=st.sampled_from([0.0, 0.5]), turns=st.integers(1, 3))
    def send(self, fails: float, turns: int) -> None:
        self.there.fails = fails
        for _ in range(turns):
            self.mono_s += self.mirror.turn()

    @rule()
    def make_anew(self) -> None:
        """The server is another one now, under the same name: nothing is in it."""
        self.there.points.clear()

    @rule()
    def ask_for_resend(self) -> None:
        Spool(self.store).ask_for_resend()

    @rule(sensor=sensors, minute=minutes, unsure=st.booleans())
    def add(self, sensor: str, minute: int, unsure: bool) -> None:
        at_ms = T0 + minute * MINUTE_MS
        stamp = Stamp.ARRIVAL_UNSURE if unsure else Stamp.SENSOR
        self.store.readings.add([Reading(sensor, at_ms, at_ms, 1.05, stamp=stamp)])

    @rule(sensor=sensors, minute=minutes)
    def complete(self, sensor: str, minute: int) -> None:
        self.store.readings.complete(Reading(sensor, T0 + minute * MINUTE_MS, 0, temperature_c=19.5))

    @rule(minute=minutes, shift=st.integers(-300, 300))
    def correct(self, minute: int, shift: int) -> None:
        from_ms = T0 + minute * MINUTE_MS
        self.store.readings.correct_stamps(from_ms, from_ms + HOUR_MS, shift * MINUTE_MS)

    @rule(
        minute=minutes,
        vessel=st.sampled_from(["bucket", "carboy"]),
        what=st.sampled_from(["rack", "move", "note"]),
    )
    def write_in_the_book(self, minute: int, vessel: str, what: str) -> None:
        self.count += 1
        at_ms = T0 + minute * MINUTE_MS
        ways: dict[str, What] = {
            "rack": Racking(vessel, floats=("float",)),
            "move": Move("probe", vessel),
            "note": Note("x"),
        }
        self.store.book.append(Entry(f"e{self.count}", "kit", at_ms, at_ms, ways[what]))

    @rule()
    def take_back(self) -> None:
        entries = [e for e in self.store.book.entries() if e.undone_ms is None and e.id.startswith("e")]
        if entries:
            self.store.book.undo(entries[-1], self.now_ms)

    @rule(minute=minutes, vessel=st.sampled_from(["bucket", "carboy", None]))
    def configure(self, minute: int, vessel: str | None) -> None:
        self.store.book.configure_place(SensorStay("probe", vessel, T0 + minute * MINUTE_MS))

    @rule(slot=st.integers(0, 40), gravity=st.floats(0.99, 1.1))
    def estimate(self, slot: int, gravity: float) -> None:
        at_ms = T0 + slot * 15 * MINUTE_MS
        self.store.watching.add_estimates("kit", [Estimate(at_ms, gravity, None, None, None, None)])

    @rule(slot=st.integers(0, 40))
    def conclude_again(self, slot: int) -> None:
        self.store.watching.forget_between("kit", T0 + slot * 15 * MINUTE_MS, 2**62)

    @rule(
        name=st.sampled_from(["a", "b"]),
        minute=st.sampled_from([0, 15, 30]),
        lot=st.sampled_from(["kit", "red"]),
    )
    def alert_begins(self, name: str, minute: int, lot: str) -> None:
        """An alert opens, or a late reading moves its beginning."""
        raised = Raise(T0 + minute * MINUTE_MS, Severity.NOTICE)
        found = Alert(name, kind_named("finished"), Subject(lot, "bucket"), (raised,), self.now_ms)
        self.store.alerts.save([found])

    @rule(minutes=st.integers(1, 120))
    def go_on(self, minutes: int) -> None:
        self.now_ms += minutes * MINUTE_MS

    def teardown(self) -> None:
        if not hasattr(self, "store"):
            return
        self.there.fails = 0.0
        self.now_ms += 48 * HOUR_MS
        for _ in range(12):
            self.mono_s += EVERY_S
            self.mirror.turn()
        try:
            self.compare()
        finally:
            self.store.close()
            shutil.rmtree(self.folder)

    def compare(self) -> None:
        history = self.store.book.history()
        wanted = {}
        for reading in self.store.readings.between(-(2**62), 2**62):
            vessel, lot = history.place(reading.sensor, reading.observed_ms)[:2]
            where = "".join(f",{k}={v}" for k, v in (("vessel", vessel), ("lot", lot)) if v)
            series = f"reading,site=home,cellar=shed,sensor={reading.sensor},kind={reading.sensor}{where}"
            fields = {
                "received_ms": f"{reading.received_ms}i",
                "stamp": f"{int(reading.stamp)}i",
                "gravity": "1.05",
            }
            if reading.temperature_c is not None:
                fields["celsius"] = "19.5"
            wanted[series, reading.observed_ms * 1_000_000] = fields
        assert self.there.points_of("reading") == wanted
        estimates = {
            ("estimate,site=home,cellar=shed,lot=kit", e.at_ms * 1_000_000): {"gravity": repr(e.gravity)}
            for e in self.store.watching.estimates("kit")
        }
        assert self.there.points_of("estimate") == estimates
        undone = {e.id: e.undone_ms is not None for e in self.store.book.entries()}
        sent = {
            key[0].rpartition("id=")[2]: fields["is_undone"] == "true"
            for key, fields in self.there.points_of("entry").items()
        }
        assert sent == undone
        alerts = [
            (f"alert,site=home,cellar=shed,kind=finished,lot={a.subject.lot},id={a.id}", a.opened_ms)
            for a in self.store.alerts.recent(-(2**62))
        ]
        assert sorted(self.there.points_of("alert")) == sorted((s, at * 1_000_000) for s, at in alerts)


TestMirrorFollows = MirrorFollows.TestCase
TestMirrorFollows.settings = settings(
    max_examples=150, stateful_step_count=25, deadline=None, suppress_health_check=list(HealthCheck)
)
