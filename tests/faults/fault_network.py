"""The network between daemon and broker cut and healed: packets vanish, connections hang, nobody is told."""

import os
import random
import shutil
import subprocess
import time
from functools import partial
from pathlib import Path

from publisher import Publisher
from shed import Row, Shed

from brokers import NativeBroker, Options, _program, missing
from daemons import wait_until


class Namespace:
    """A network of its own, reached over one cable (a pair of virtual interfaces) that can be pulled."""

    def __init__(self, number: int) -> None:
        """Choose names and addresses that nothing else here uses."""
        self.name = f"mw-fault-{os.getpid()}-{number}"
        self.near, self.far = f"mwn{os.getpid() % 100000}", f"mwf{os.getpid() % 100000}"
        self.near_address, self.address = "10.213.77.1", "10.213.77.2"

    def make(self) -> None:
        """Make it."""
        _ip("netns", "add", self.name)
        _ip("link", "add", self.near, "type", "veth", "peer", "name", self.far, "netns", self.name)
        _ip("address", "add", f"{self.near_address}/30", "dev", self.near)
        _ip("link", "set", self.near, "up")
        self.inside("ip", "address", "add", f"{self.address}/30", "dev", self.far)
        self.inside("ip", "link", "set", self.far, "up")
        self.inside("ip", "link", "set", "lo", "up")

    def inside(self, *command: str) -> None:
        """Run a command there."""
        _ip("netns", "exec", self.name, *command)

    def cut(self) -> None:
        """Pull the cable: what is sent is lost, and nothing says so."""
        self.inside("ip", "link", "set", self.far, "down")

    def heal(self) -> None:
        """Put it back."""
        self.inside("ip", "link", "set", self.far, "up")

    def remove(self) -> None:
        """Take it all away."""
        subprocess.run(["ip", "netns", "del", self.name], check=False, capture_output=True)


def _ip(*arguments: str) -> None:
    subprocess.run(["ip", *arguments], check=True, capture_output=True)


class FarBroker(NativeBroker):
    """A broker inside the namespace; a socket's path lets the floats in past the cable."""

    def __init__(self, directory: Path, namespace: Namespace) -> None:
        """Name the namespace."""
        self.namespace = namespace
        super().__init__(directory, Options(extra="max_queued_messages 0"))

    @property
    def unix(self) -> str:
        """Return the path of the floats' way in."""
        return str(self.directory / "mqtt.sock")

    def start(self) -> None:
        """Start it in the namespace."""
        command = ["ip", "netns", "exec", self.namespace.name, _program("mosquitto"), "-c"]
        with (self.directory / "log").open("wb") as log_file:
            self.process = subprocess.Popen(
                [*command, str(self.config / "mosquitto.conf")], stdout=log_file, stderr=log_file
            )
        process = self.process
        self._wait_until_it_answers(lambda: process.poll() is None)

    @property
    def _listener(self) -> str:
        return f"{self.port} 0.0.0.0\nlistener 0 {self.directory / 'mqtt.sock'}"

    def _answers(self) -> bool:
        return " running" in self.log()


def run(count: int, folder: Path) -> Row:
    """Cut the cable so often while messages come in, briefly or for longer than a keepalive."""
    row = Row("network cut and healed")
    if os.geteuid() != 0 or shutil.which("ip") is None:
        missing("a network namespace needs root and ip (apt install iproute2)")
    namespace = Namespace(1)
    namespace.make()
    broker = FarBroker(folder / "broker", namespace)
    broker.start()
    shed = Shed(folder / "shed", broker.port, host=namespace.address, lots=6)
    publisher = Publisher(broker.port, unix=broker.unix)
    dice = random.Random(20260903)
    try:
        shed.daemon.start()
        part = len(shed.messages) // count
        for number in range(count):
            publisher.send(shed.messages[number * part : (number + 1) * part if number < count - 1 else None])
            time.sleep(dice.uniform(0.05, 0.5))
            namespace.cut()
            # Every fourth cut outlasts the keepalive (5 s): the connection is given up rather than resumed.
            time.sleep(dice.uniform(8.0, 10.0) if number % 4 == 3 else dice.uniform(0.1, 2.0))
            namespace.heal()
            row.tried += 1
            publisher.flush()
            wanted = len(shed.messages) if number == count - 1 else (number + 1) * part
            wait_until(partial(shed.has, wanted), 60, "the daemon is back, and has it all")
        shed.settle()
        shed.daemon.stop()
        shed.judge(row)
    finally:
        publisher.close()
        shed.close()
        broker.kill()
        namespace.remove()
    return row
