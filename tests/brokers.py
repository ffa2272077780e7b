"""Real brokers for tests: mosquitto natively, and in a container. Fixtures, found through tests/conftest.py.

A missing broker or container engine skips the test on a laptop, saying so, and fails it where CI=true.

    mosquitto               a running mosquitto on a port of its own, with persistence
    mosquitto_with          make one: mosquitto_with(password="…", tls=True, extra="max_queued_messages 5000")
    mosquitto_container     the same, in a container (mark such tests ``container``)
    mosquitto_container_with
"""

import os
import shutil
import signal
import socket
import subprocess
import time
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NoReturn

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from mustwatch.ingest.broker_settings import BrokerSettings

PUBLIC_IMAGE = "eclipse-mosquitto:2"
USERNAME = "cellar"
STARTUP_S = 20.0


@dataclass(frozen=True)
class Options:
    """How a broker is set up. ``password`` closes it to everybody but the user ``cellar``."""

    password: str | None = None
    acl: str | None = None
    tls: bool = False
    extra: str = ""


class Broker(ABC):
    """A mosquitto that can be started, stopped, killed and held."""

    def __init__(self, directory: Path, options: Options) -> None:
        """Write its configuration, passwords and certificates into a directory of its own."""
        self.directory = directory
        self.options = options
        self.port = _free_port()
        self.config = directory / "config"
        self.data = directory / "data"
        for folder in (self.config, self.data):
            folder.mkdir(parents=True)
            folder.chmod(0o777)  # the broker in a container may run as another user
        if options.tls:
            _make_certificates(self.config)
        self._write_config()

    @abstractmethod
    def start(self) -> None:
        """Start it and wait until it answers."""

    @abstractmethod
    def stop(self) -> None:
        """End it in good order: it writes what it holds to its data directory."""

    @abstractmethod
    def kill(self) -> None:
        """End it as a power cut would: what it had not written is gone."""

    @abstractmethod
    def pause(self) -> None:
        """Hold it: connections stay open and nothing answers, as when a network is cut."""

    @abstractmethod
    def resume(self) -> None:
        """Let it go on."""

    @abstractmethod
    def log(self) -> str:
        """Return what it said."""

    def restart(self) -> None:
        """Stop it in good order and start it again, with its persistence."""
        self.stop()
        self.start()

    @property
    def ca_file(self) -> Path | None:
        """Return the certificate authority to trust."""
        return self.config / "ca.pem" if self.options.tls else None

    def settings(self, **changes: Any) -> BrokerSettings:
        """Return how to reach it."""
        password = self.options.password
        values: dict[str, Any] = {
            "port": self.port,
            "username": USERNAME if password else None,
            "password": password,
            "tls": self.options.tls,
            "ca_file": self.ca_file,
        }
        return BrokerSettings(**(values | changes))

    def publish(self, *messages: tuple[str, bytes], qos: int = 1, retain: bool = False) -> None:
        """Publish messages in their order and wait until the broker has them."""
        client = paho.Client(CallbackAPIVersion.VERSION2)
        if self.options.password is not None:
            client.username_pw_set(USERNAME, self.options.password)
        if self.options.tls:
            client.tls_set(ca_certs=str(self.ca_file))
        client.connect("127.0.0.1", self.port)
        client.loop_start()
        try:
            for sent in [client.publish(topic, payload, qos, retain) for topic, payload in messages]:
                sent.wait_for_publish(30.0)
                assert sent.is_published(), "the broker did not take a test's message"
        finally:
            client.disconnect()
            client.loop_stop()

    @abstractmethod
    def _inside(self, path: Path) -> str:
        """Return a path of ours as the broker sees it."""

    @property
    @abstractmethod
    def _listener(self) -> str:
        """Return port and address to listen on."""

    def _write_config(self) -> None:
        options = self.options
        lines = [
            "user root",  # when started as root it would else become a user who cannot read the test's directory
            "per_listener_settings false",
            f"listener {self._listener}",
            "persistence true",
            f"persistence_location {self._inside(self.data)}/",
            "log_dest stderr",
            *(f"log_type {kind}" for kind in ("error", "warning", "notice", "information", "subscribe")),
            f"allow_anonymous {'false' if options.password else 'true'}",
        ]
        if options.password is not None:
            file = self.config / "passwords"
            file.write_text(f"{USERNAME}:{options.password}\n")
            subprocess.run([_program("mosquitto_passwd"), "-U", str(file)], check=True, capture_output=True)
            file.chmod(0o644)
            lines.append(f"password_file {self._inside(file)}")
        if options.acl is not None:
            file = self.config / "acl"
            file.write_text(options.acl)
            lines.append(f"acl_file {self._inside(file)}")
        if options.tls:
            lines += [
                f"certfile {self._inside(self.config / 'server.pem')}",
                f"keyfile {self._inside(self.config / 'server.key')}",
            ]
        lines.append(options.extra)
        (self.config / "mosquitto.conf").write_text("\n".join(lines) + "\n")

    def _wait_until_it_answers(self, is_running: Callable[[], bool]) -> None:
        deadline = time.monotonic() + STARTUP_S
        while time.monotonic() < deadline:
            if not is_running():
                break
            if self._answers():
                return
            time.sleep(0.02)
        pytest.fail(f"mosquitto did not start on port {self.port}:\n{self.log()[-2000:]}")

    def _answers(self) -> bool:
        """Return whether a CONNECT is answered; the mapped port of a container takes connections before that."""
        try:
            with socket.create_connection(("127.0.0.1", self.port), 1.0) as probe:
                if self.options.tls:
                    return " running" in self.log()
                probe.settimeout(1.0)
                probe.sendall(b"\x10\x0c\x00\x04MQTT\x04\x02\x00\x0a\x00\x00")
                return probe.recv(1) == b"\x20"
        except OSError:
            return False


class NativeBroker(Broker):
    """A mosquitto of this machine."""

    process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it and wait until it answers."""
        log_file = (self.directory / "log").open("wb")
        with log_file:
            self.process = subprocess.Popen(
                [_program("mosquitto"), "-c", str(self.config / "mosquitto.conf")],
                stdout=log_file,
                stderr=log_file,
            )
        process = self.process
        self._wait_until_it_answers(lambda: process.poll() is None)

    def stop(self) -> None:
        """End it in good order."""
        self._end(signal.SIGTERM)

    def kill(self) -> None:
        """End it at once."""
        self._end(signal.SIGKILL)

    def pause(self) -> None:
        """Hold it."""
        assert self.process is not None
        self.process.send_signal(signal.SIGSTOP)

    def resume(self) -> None:
        """Let it go on."""
        assert self.process is not None
        self.process.send_signal(signal.SIGCONT)

    def save(self) -> None:
        """Have it write what it holds to its data directory now."""
        assert self.process is not None
        before = self.log().count("Saving in-memory database")
        self.process.send_signal(signal.SIGUSR1)
        deadline = time.monotonic() + 5.0
        while self.log().count("Saving in-memory database") == before and time.monotonic() < deadline:
            time.sleep(0.02)
        time.sleep(0.05)  # the line is written before the file

    def log(self) -> str:
        """Return what it said since it was started last."""
        return (self.directory / "log").read_text(errors="replace")

    def _end(self, how: signal.Signals) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.send_signal(signal.SIGCONT)
            self.process.send_signal(how)
            self.process.wait(10.0)
        self.process = None

    def _inside(self, path: Path) -> str:
        return str(path)

    @property
    def _listener(self) -> str:
        return f"{self.port} 127.0.0.1"


class ContainerBroker(Broker):
    """A mosquitto in a container, its port mapped to one of this machine."""

    container: Any = None

    def start(self) -> None:
        """Start it (again, if it was stopped) and wait until it answers."""
        if self.container is None:
            self._create()
        else:
            self._wrapped().start()
        self._wait_until_it_answers(self._is_running)

    def stop(self) -> None:
        """End it in good order."""
        if self.container is not None:
            self._wrapped().stop(timeout=10)

    def kill(self) -> None:
        """End it at once."""
        if self.container is not None and self._is_running():
            self._wrapped().kill()

    def pause(self) -> None:
        """Hold it."""
        self._wrapped().pause()

    def resume(self) -> None:
        """Let it go on."""
        self._wrapped().unpause()

    def remove(self) -> None:
        """Remove the container."""
        if self.container is not None:
            self._wrapped().remove(force=True, v=True)
            self.container = None

    def log(self) -> str:
        """Return what it said since it was made."""
        return str(self._wrapped().logs().decode(errors="replace")) if self.container is not None else ""

    def _create(self) -> None:
        from testcontainers.core.container import DockerContainer

        self.container = (
            DockerContainer(image_name())
            .with_bind_ports(1883, self.port)
            .with_volume_mapping(str(self.config), "/mosquitto/config", "rw")
            .with_volume_mapping(str(self.data), "/mosquitto/data", "rw")
            .with_command("mosquitto -c /mosquitto/config/mosquitto.conf")
        )
        self.container.start()

    def _wrapped(self) -> Any:
        return self.container.get_wrapped_container()

    def _is_running(self) -> bool:
        wrapped = self._wrapped()
        wrapped.reload()
        return bool(wrapped.status == "running")

    def _inside(self, path: Path) -> str:
        return f"/mosquitto/{path.relative_to(self.directory)}"

    @property
    def _listener(self) -> str:
        return "1883"


@pytest.fixture
def mosquitto_with(tmp_path: Path) -> Iterator[Callable[..., NativeBroker]]:
    """Return a maker of running native brokers; its arguments are those of ``Options``."""
    _program("mosquitto")
    brokers: list[NativeBroker] = []

    def make(**options: Any) -> NativeBroker:
        broker = NativeBroker(tmp_path / f"broker-{len(brokers)}", Options(**options))
        brokers.append(broker)
        broker.start()
        return broker

    yield make
    for broker in brokers:
        broker.kill()


@pytest.fixture
def mosquitto(mosquitto_with: Callable[..., NativeBroker]) -> NativeBroker:
    """Return a running native broker open to all, with persistence."""
    return mosquitto_with()


@pytest.fixture
def mosquitto_container_with(tmp_path: Path) -> Iterator[Callable[..., ContainerBroker]]:
    """Return a maker of brokers running in containers; its arguments are those of ``Options``."""
    require_engine()
    brokers: list[ContainerBroker] = []

    def make(**options: Any) -> ContainerBroker:
        broker = ContainerBroker(tmp_path / f"container-{len(brokers)}", Options(**options))
        brokers.append(broker)
        broker.start()
        return broker

    yield make
    for broker in brokers:
        broker.remove()


@pytest.fixture
def mosquitto_container(mosquitto_container_with: Callable[..., ContainerBroker]) -> ContainerBroker:
    """Return a broker running in a container, open to all, with persistence."""
    return mosquitto_container_with()


def image_name() -> str:
    """Return the image that container tests run: as the environment says, else the public one."""
    return os.environ.get("MUSTWATCH_TEST_MOSQUITTO_IMAGE") or PUBLIC_IMAGE


def require_engine() -> None:
    """Skip or fail the test unless a container engine runs and has, or can fetch, the image."""
    if os.environ.get("MUSTWATCH_TEST_MOSQUITTO_IMAGE"):
        # Where the image is home-made there is no registry to fetch the library's clean-up container from either.
        os.environ.setdefault("TESTCONTAINERS_RYUK_DISABLED", "true")
    os.environ.setdefault("TESTCONTAINERS_HOST_OVERRIDE", "127.0.0.1")
    import docker  # type: ignore[import-untyped, unused-ignore]

    try:
        engine = docker.from_env()
        engine.ping()
    except docker.errors.DockerException as error:
        missing(f"no container engine: {error}")
    try:
        engine.images.get(image_name())
    except docker.errors.ImageNotFound:
        try:
            engine.images.pull(image_name())
        except docker.errors.DockerException as error:
            missing(
                f"image {image_name()}: {error}; run tests/containers/build-mosquitto-image.sh "
                "and set MUSTWATCH_TEST_MOSQUITTO_IMAGE=mustwatch-test-mosquitto"
            )


def missing(what: str) -> NoReturn:
    """Skip the test for want of something; in CI fail it."""
    if os.environ.get("CI") == "true":
        pytest.fail(f"CI must have this: {what}", pytrace=False)
    pytest.skip(f"NOT TESTED HERE: {what}")


def _program(name: str) -> str:
    found = shutil.which(name, path=f"{os.environ.get('PATH', '')}:/usr/sbin:/usr/local/sbin")
    if found is None:
        missing(f"{name} is not installed (apt install mosquitto)")
    return found


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _make_certificates(directory: Path) -> None:
    """Make an authority and a certificate for 127.0.0.1 and localhost, good for two days."""

    def openssl(*arguments: str) -> None:
        subprocess.run([_program("openssl"), *arguments], cwd=directory, check=True, capture_output=True)

    key = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes")
    openssl(
        "req",
        "-x509",
        *key,
        "-days",
        "2",
        "-subj",
        "/CN=test authority",
        "-keyout",
        "ca.key",
        "-out",
        "ca.pem",
    )
    openssl("req", *key, "-subj", "/CN=localhost", "-keyout", "server.key", "-out", "server.csr")
    (directory / "names").write_text("subjectAltName=IP:127.0.0.1,DNS:localhost\n")
    signing = ("-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial", "-days", "2", "-extfile", "names")
    openssl("x509", "-req", "-in", "server.csr", *signing, "-out", "server.pem")
    for file in directory.glob("*.key"):
        file.chmod(0o644)
