"""The compose file: valid, and its broker and daemon really run together from the image that the Dockerfile makes."""

import json
import os
import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from brokers import missing
from daemons import wait_until
from debian_machine import debian_root, free_port
from wheels import PROJECT

BASE = "mustwatch-test-base"
BROKER = os.environ.get("MUSTWATCH_TEST_MOSQUITTO_IMAGE", "mustwatch-test-mosquitto")


def compose_command() -> list[str]:
    """Return the compose program: the engine's plugin, or the one of its own."""
    if shutil.which("docker"):
        plugin = subprocess.run(["docker", "compose", "version"], capture_output=True, check=False)
        if plugin.returncode == 0:
            return ["docker", "compose"]
    if not shutil.which("docker-compose"):
        missing("docker compose is not installed (apt install docker-compose)")
    return ["docker-compose"]


class Stack:
    """A copy of deploy/ with the compose file prepared, as a person would have it."""

    def __init__(self, folder: Path) -> None:
        """Copy and prepare."""
        self.source = folder / "mustwatch"
        for part in ("deploy", "daemon", "simulators", "config"):
            shutil.copytree(PROJECT / part, self.source / part, ignore=shutil.ignore_patterns("__pycache__"))
        for file in ("pyproject.toml", "README.md", "LICENSE", "CHANGELOG.md", ".dockerignore"):
            shutil.copy(PROJECT / file, self.source)
        self.folder = self.source / "deploy/compose"
        for left in (".env", "mustwatch.toml"):
            (self.folder / left).unlink(missing_ok=True)
        subprocess.run([str(self.folder / "prepare.sh")], check=True, capture_output=True)
        self.broker_port, self.pages_port = free_port(), free_port()
        self.environment = {
            **os.environ,
            "COMPOSE_PROJECT_NAME": f"mustwatchtest{os.getpid()}",
            "DOCKER_BUILDKIT": "0",
            "MUSTWATCH_BASE_IMAGE": BASE,
            "MUSTWATCH_BROKER_IMAGE": BROKER,
            "MUSTWATCH_BROKER_ADDRESS": "127.0.0.1",
            "MUSTWATCH_BROKER_PORT": str(self.broker_port),
            "MUSTWATCH_PAGES_PORT": str(self.pages_port),
        }

    def run(self, *arguments: str) -> str:
        """Run compose and return what it printed."""
        done = subprocess.run(
            [*compose_command(), *arguments],
            cwd=self.folder,
            env=self.environment,
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == 0, f"{arguments}: {done.stdout[-3000:]}{done.stderr[-3000:]}"
        return done.stdout

    def secret(self, name: str) -> str:
        """Return one of the passwords that were made."""
        return dict(line.split("=", 1) for line in (self.folder / ".env").read_text().splitlines())[
            f"MUSTWATCH_{name}"
        ]


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory) -> Stack:
    return Stack(tmp_path_factory.mktemp("compose"))


def test_the_compose_file_is_valid_and_names_its_five_parts(prepared: Stack) -> None:
    services = set(prepared.run("config", "--services").split())

    assert services == {"access", "broker", "daemon", "influx", "grafana"}


def test_without_the_prepared_passwords_nothing_starts(prepared: Stack, tmp_path: Path) -> None:
    shutil.copy(prepared.folder / "compose.yaml", tmp_path)
    done = subprocess.run(
        [*compose_command(), "config"], cwd=tmp_path, capture_output=True, text=True, check=False
    )

    assert done.returncode != 0
    assert "prepare.sh" in done.stderr


def test_what_was_prepared_is_for_its_owner_alone(prepared: Stack) -> None:
    assert (prepared.folder / ".env").stat().st_mode & 0o077 == 0
    before = (prepared.folder / ".env").read_text()
    subprocess.run([str(prepared.folder / "prepare.sh")], check=True, capture_output=True)
    assert (prepared.folder / ".env").read_text() == before


def test_its_configuration_speaks_of_containers_and_not_of_systemd(prepared: Stack) -> None:
    text = (prepared.folder / "mustwatch.toml").read_text()

    assert "docker compose restart daemon" in text
    for word in ("systemctl", "sudo", "secrets.env", "@"):
        assert word not in text.replace("user:password@example.org", ""), word


def test_asked_to_it_shows_the_pages_to_the_house(prepared: Stack, tmp_path: Path) -> None:
    shutil.copytree(prepared.source / "deploy", tmp_path / "deploy")
    folder = tmp_path / "deploy/compose"

    for _ in range(2):
        subprocess.run([str(folder / "prepare.sh"), "--lan"], check=True, capture_output=True)

    assert (folder / ".env").read_text().count("MUSTWATCH_PAGES_ADDRESS=0.0.0.0") == 1
    assert "MUSTWATCH_PAGES_ADDRESS" not in (prepared.folder / ".env").read_text()
    assert (
        subprocess.run([str(folder / "prepare.sh"), "--wan"], check=False, capture_output=True).returncode
        == 2
    )


def test_the_dashboard_asks_only_for_what_the_mirror_writes() -> None:
    dashboard = json.loads((PROJECT / "deploy/compose/grafana/dashboards/cellar.json").read_text())
    written = (PROJECT / "daemon/mustwatch/store/mirror_lines.py").read_text()
    queries = [target["query"] for panel in dashboard["panels"] for target in panel["targets"]]

    assert queries
    for query in queries:
        for measurement in re.findall(r'_measurement == "(\w+)"', query):
            assert f'"{measurement}"' in written
        for field in re.findall(r'column: "(\w+)"', query):
            assert f'"{field}"' in written or field == "delay_s"


def test_every_chart_shows_one_cellar_by_the_names_of_its_lots_and_sensors() -> None:
    dashboard = json.loads((PROJECT / "deploy/compose/grafana/dashboards/cellar.json").read_text())
    mine = "r.site == ${site:doublequote} and r.cellar == ${cellar:doublequote}"
    variables = {one["name"]: one["query"] for one in dashboard["templating"]["list"]}

    assert list(variables) == ["site", "cellar", "lot"], "each is asked for within the ones before it"
    assert mine in variables["lot"]
    for panel in dashboard["panels"]:
        assert all(mine in target["query"] for target in panel["targets"]), panel["title"]
        if panel["type"] == "timeseries":
            by = re.search(r'group\(columns: \["(\w+)"\]\)', panel["targets"][0]["query"])
            assert by is not None
            name = panel["fieldConfig"]["defaults"]["displayName"]
            assert name == f"${{__field.labels.{by[1]}}}", panel["title"]


def test_the_table_of_alerts_shows_when_each_ended() -> None:
    dashboard = json.loads((PROJECT / "deploy/compose/grafana/dashboards/cellar.json").read_text())
    panel = next(p for p in dashboard["panels"] if p["title"] == "What began and ended")
    query = panel["targets"][0]["query"]
    ended = next(o for o in panel["fieldConfig"]["overrides"] if o["matcher"]["options"] == "cleared_ms")

    assert '"cleared_ms"' in query
    assert "not exists r.again" in query, "what is sent again is not shown twice"
    assert {"id": "displayName", "value": "Ended"} in ended["properties"]


@pytest.fixture(scope="module")
def stack(prepared: Stack) -> Iterator[Stack]:
    if (
        not shutil.which("docker")
        or subprocess.run(["docker", "info"], capture_output=True, check=False).returncode
    ):
        missing("no container engine runs (dockerd)")
    for script, *arguments in (
        ("build-mosquitto-image.sh", BROKER),
        ("build-debian-image.sh", str(debian_root()), BASE),
    ):
        subprocess.run(
            [str(PROJECT / "tests/containers" / script), *arguments], check=True, capture_output=True
        )
    # Compose cannot say which network a build has; the engine can.
    subprocess.run(
        f"docker build --network host --build-arg BASE={BASE} -f deploy/Dockerfile -t mustwatch .".split(),
        cwd=prepared.source,
        env=prepared.environment,
        check=True,
        capture_output=True,
    )
    config = prepared.folder / "mustwatch.toml"
    config.write_text(
        config.read_text()
        + '[[vessel]]\nname = "bucket"\nkind = "bucket"\nlitres = 30\n[[sensor]]\nid = "float-1"\n'
        'kind = "float"\nvessel = "bucket"\ntopic = "cellar/float-1"\ndecoder = "json"\nfields = { gravity = "sg" }\n'
    )
    group = subprocess.run(
        ["docker", "run", "--rm", BROKER, "getent", "group", "mosquitto"],
        capture_output=True,
        text=True,
        check=True,
    )
    prepared.environment["MUSTWATCH_BROKER_GROUP"] = group.stdout.split(":")[2]
    try:
        prepared.run("up", "-d", "--no-build", "access", "broker")
        prepared.run("up", "-d", "--no-build", "--no-deps", "daemon")
        yield prepared
    finally:
        prepared.run("down", "-v")


@pytest.mark.container
def test_a_float_let_in_is_read_by_the_daemon_in_its_container(stack: Stack) -> None:
    said = stack.run("run", "--rm", "access", "password", "float-1")
    password = re.search(r"password  (\S+)", said)
    assert password is not None
    stack.run("kill", "-s", "HUP", "broker")
    wait_until(lambda: "broker connected" in stack.run("logs", "daemon"), 60, "the daemon at the broker")

    def publish() -> bool:
        client = paho.Client(CallbackAPIVersion.VERSION2)
        client.username_pw_set("float-1", password[1] if password else "")
        client.connect("127.0.0.1", stack.broker_port)
        client.loop_start()
        sent = client.publish("cellar/float-1", b'{"sg": 1.0532}', qos=1)
        sent.wait_for_publish(5)
        client.loop_stop()
        return sent.is_published()

    wait_until(publish, 20, "the broker takes the float's message")
    export = ("exec", "-T", "daemon", "mustwatch", "export", "--format", "csv")
    wait_until(lambda: "1.0532" in stack.run(*export), 30, "the reading in the store")


@pytest.mark.container
def test_the_pages_ask_for_their_token(stack: Stack) -> None:
    import urllib.error
    import urllib.request

    address = f"http://127.0.0.1:{stack.pages_port}/api/cellar"
    with pytest.raises(urllib.error.HTTPError) as refused:
        urllib.request.urlopen(address, timeout=10)
    asked = urllib.request.Request(address, headers={"Authorization": f"Bearer {stack.secret('WEB_TOKEN')}"})

    assert refused.value.code == 401
    assert urllib.request.urlopen(asked, timeout=10).status == 200  # noqa: S310 - our own address


@pytest.mark.container
def test_the_daemons_container_has_no_rights_it_does_not_need(stack: Stack) -> None:
    who = stack.run(
        "exec",
        "-T",
        "daemon",
        "sh",
        "-c",
        "id -u; touch /etc/x 2>&1; grep -E 'CapEff|NoNewPrivs' /proc/1/status",
    )

    assert who.startswith("10001\n")
    assert "Read-only file system" in who
    assert re.search(r"CapEff:\s+0+\n", who)
