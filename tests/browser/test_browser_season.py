"""A season of four lots written on the pages of the running daemon, in a real browser, by nobody else.

One float reads one lot after the other over a real broker. Every message that arrived is read, and has to be true.
"""

import re
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from urllib.parse import quote

import pytest
from playwright.sync_api import Page, expect

from brokers import Broker
from browsers import Visit
from daemons import Daemon, wait_until
from endpoints import Arrived, HttpEndpoint
from mustsim import cellar as simulated_cellar
from mustsim.cellar import SimulatedCellar
from mustsim.scenario import load
from mustwatch.demo import free_port
from truths import still_to_fall

DAY = timedelta(days=1)
LOTS = ("Kit of spring", "Kit of summer", "Kit of autumn", "Kit of winter")
SWEETENED = LOTS[1]
APART_DAYS = 21
"""Days between the beginnings of two lots."""
CELLAR = """
[cellar]
name = "Four seasons"
timezone = "UTC"
backlog_hours = 10000
[mqtt]
port = {broker}
[web]
port = {web}
[[tell]]
url = "{tell}"
[[vessel]]
name = "bucket"
kind = "bucket"
litres = 30
[[vessel]]
name = "carboy"
kind = "carboy"
litres = 23
[[sensor]]
id = "kit-float"
kind = "float"
vessel = "bucket"
topic = "{topic}"
decoder = "senml"
"""


def stamp(at: datetime) -> str:
    return at.strftime("%Y-%m-%dT%H:%M")


@dataclass
class Season:
    """The daemon, the float's readings, and somebody with a browser."""

    daemon: Daemon
    broker: Broker
    base: str
    page: Page
    told: HttpEndpoint
    truth: dict[str, SimulatedCellar]
    racked: dict[str, datetime] = field(default_factory=dict)
    """When each lot went from the bucket into the carboy."""

    def at(self, lot: str, event: str) -> datetime:
        """Return when something truly happened to a lot."""
        (of_lot,) = self.truth[lot].truth.lots.values()
        at_ms = next(e.at_ms for e in of_lot.events if e.kind == event)
        return datetime.fromtimestamp(at_ms / 1000, UTC)

    def publish(self, lot: str, after: datetime, until: datetime) -> None:
        """Let the float say what it said of a lot between two instants."""
        low, high = after.timestamp() * 1000, until.timestamp() * 1000
        self.broker.publish(
            *[(m.topic, m.payload) for m in self.truth[lot].messages if low < m.observed_ms <= high]
        )

    def begin(self, lot: str, at: datetime) -> None:
        self.page.goto(f"{self.base}/begin?vessel=bucket")
        self.fill(
            {"Its name": lot, "Gravity as read": "1,050", "The must's temperature": "19", "Litres": "23"}, at
        )
        self.page.get_by_label(re.compile("^Profile")).select_option("kit")
        self.page.get_by_role("button", name="Begin").click()
        self.taken("The lot has begun.")

    def write(
        self,
        lot: str,
        form: str,
        typed: dict[str, str],
        at: datetime,
        *,
        choose: dict[str, str] | None = None,
    ) -> None:
        """Fill in a form about the lot and send it."""
        self.page.goto(f"{self.base}/lot/{quote(lot)}/write/{form}")
        for label, value in (choose or {}).items():
            self.page.get_by_label(re.compile(f"^{label}")).select_option(value)
        self.fill(typed, at)
        self.page.locator("form.entry > p button").click()
        self.taken(" is written.")

    def fill(self, typed: dict[str, str], at: datetime) -> None:
        for label, value in typed.items():
            self.page.get_by_label(re.compile(f"^{re.escape(label)}")).fill(value)
        self.page.get_by_label("at another time").check()
        self.page.get_by_label("Day and time").fill(stamp(at))

    def taken(self, words: str) -> None:
        expect(self.page.locator("#said")).to_contain_text(words)

    def titles(self) -> list[str]:
        return [message.title for message in self.told.arrived]

    def wait_for(self, words: str, lot: str) -> None:
        wait_until(
            lambda: any(words in title and lot in title for title in self.titles()),
            60,
            f"a message of {lot!r} with {words!r}; got {self.titles()}",
        )


@pytest.fixture
def season(
    mosquitto: Broker, daemon_with: Callable[[str], Daemon], visit: Visit, http_endpoint: HttpEndpoint
) -> Season:
    # Every season ends at one hour of the day, so that its nights fall alike whenever the test runs.
    today = datetime.now(UTC).replace(hour=0, minute=0, second=0, microsecond=0)
    kit = load("kit")
    ends = {
        lot: round((today - (4 + (len(LOTS) - 1 - n) * APART_DAYS) * DAY).timestamp() * 1000)
        for n, lot in enumerate(LOTS)
    }
    truth = {lot: simulated_cellar.run(kit, seed=11 + n, ending_ms=ends[lot]) for n, lot in enumerate(LOTS)}
    topic = truth[LOTS[0]].messages[0].topic
    port = free_port()
    daemon = daemon_with(CELLAR.format(broker=mosquitto.port, web=port, tell=http_endpoint.url, topic=topic))
    daemon.start()
    base = f"http://127.0.0.1:{port}"
    wait_until(lambda: f"pages at {base}" in daemon.said(), 20, "the pages are served")
    return Season(daemon, mosquitto, base, visit(base, "phone"), http_endpoint, truth)


def make(season: Season, lot: str) -> None:
    """Make one wine from pitch to bottle."""
    begins = datetime.fromtimestamp(season.truth[lot].begins_ms / 1000, UTC)
    season.begin(lot, begins)
    # The float went along into the carboy of the lot before and is out since that was bottled: it comes along by itself.
    season.taken("kit-float")
    racked = season.racked[lot] = season.at(lot, "crossing") + timedelta(hours=10)
    season.publish(lot, begins, racked)
    season.wait_for("eady to rack", lot)
    season.write(
        lot,
        "measure",
        {"Gravity as read": "1,008", "The sample's temperature": "19,5 °C"},
        racked - timedelta(minutes=20),
    )
    season.write(lot, "rack", {"Litres that went over": "21,5"}, racked, choose={"Into": "carboy"})
    last = datetime.fromtimestamp(season.truth[lot].ends_ms / 1000, UTC)
    season.publish(lot, racked, last)
    season.wait_for("ooks finished", lot)
    (of_lot,) = season.truth[lot].truth.lots.values()
    dry = f"{float(of_lot.gravity[-1]):.3f}"
    for days in (2.5, 0.3):
        check = {"Gravity as read": dry.replace(".", ","), "The sample's temperature": "20"}
        season.write(lot, "measure", check, last - days * DAY)
    if lot == SWEETENED:
        season.write(lot, "add", {"What": "sorbate and sulfite", "How much": "5g"}, last + 0.2 * DAY)
        season.write(lot, "add", {"What": "sugar", "How much": "0,2kg"}, last + 0.5 * DAY)
        # 200 g in 21.5 L are 9.3 g/L, each 0.000384 of gravity (slope of the ICUMSA sucrose table).
        sweet = f"{float(dry) + 0.0036:.3f}".replace(".", ",")
        season.write(
            lot, "measure", {"Gravity as read": sweet, "The sample's temperature": "20"}, last + 0.9 * DAY
        )
    season.write(lot, "bottle", {"How many bottles": "27"}, last + DAY)


@pytest.mark.broker
def test_a_season_of_four_lots_on_the_page_tells_nothing_but_the_truth(season: Season) -> None:
    for lot in LOTS:
        make(season, lot)
        rows = season.page.request.get(f"{season.base}/api/cellar").json()["vessels"]
        assert [row["lot"] for row in rows] == [None, None]
        assert season.page.request.get(f"{season.base}/api/alerts").json() == []

    time.sleep(3)  # whatever is still to be told has been told
    told = season.told.arrived
    for message in told:
        assert_true(season, message)
    for lot in LOTS:
        assert (
            sum(m.title.startswith(("Ready to rack", "Racking is near")) and lot in m.title for m in told)
            == 1
        )
        assert sum(m.title.startswith("Looks finished") and lot in m.title for m in told) >= 1


def assert_true(season: Season, message: Arrived) -> None:
    """Hold a message against what truly happened: the lot, the vessel it stood in, the instant and the gravity."""
    named = re.fullmatch(r"(.+): (Kit of \w+) in (bucket|carboy)", message.title)
    assert named is not None, f"about no lot of this season: {message}"
    what, lot, vessel = named.groups()
    (truth,) = season.truth[lot].truth.lots.values()
    since, *until = [moment(text) for text in MOMENT.findall(message.message)[:2]]
    assert vessel == ("bucket" if since < season.racked[lot] else "carboy"), message
    stated = re.search(r"Gravity is (\d\.\d{3})", message.message)
    if stated is not None:
        now_ms = (
            season.truth[lot].ends_ms if "finished" in what else round(season.racked[lot].timestamp() * 1000)
        )
        near = [float(truth.gravity_at(ms)) for ms in (millis(since), now_ms)]
        assert min(abs(float(stated[1]) - gravity) for gravity in near) < 0.003, message
    if "rack" in what.lower():
        assert abs(since - season.at(lot, "crossing")) < timedelta(hours=6), message
    elif what == "Looks finished":
        assert still_to_fall(truth, millis(since)) < 0.0025, message
    elif "too cold" in what.lower():
        ends = until[0] if until else since + timedelta(hours=12)
        in_it = (truth.t_ms >= millis(since) - 7_200_000) & (truth.t_ms <= millis(ends) + 7_200_000)
        assert float(truth.temperature_c[in_it].min()) < 18.2, message
    elif what == "False alarm, looks finished":
        assert still_to_fall(truth, millis(since)) > 0.002, message
    else:
        raise AssertionError(f"nothing of the kind happened: {message}")


MOMENT = re.compile(r"(?:Mon|Tue|Wed|Thu|Fri|Sat|Sun) (\d+ [A-Z][a-z]{2}, \d\d:\d\d)")


def moment(text: str) -> datetime:
    """Return an instant that a message names, of the last twelve months."""
    now = datetime.now(UTC)
    at = datetime.strptime(f"{now.year} {text}", "%Y %d %b, %H:%M").replace(tzinfo=UTC)
    return at if at <= now else at.replace(year=now.year - 1)


def millis(at: datetime) -> int:
    return round(at.timestamp() * 1000)
