"""What a person does on a fresh Raspberry Pi, done on a fresh Debian with systemd in a container."""

import hashlib
import json
import re
import shutil
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from daemons import wait_until
from debian_machine import Machine, free_port
from endpoints import HttpEndpoint
from wheels import PROJECT, Built, other_version

pytestmark = pytest.mark.machine
INSTALL = "/root/mustwatch/deploy/install.sh"
WHEEL = "/root/mustwatch/dist"


class Pi(Machine):
    """A machine with mustwatch's deploy folder and wheels on it."""

    def __init__(self, folder: Path) -> None:
        """Copy what a person would have unpacked."""
        super().__init__(folder)
        self.broker_port, self.pages_port = free_port(), free_port()
        shutil.copytree(PROJECT / "deploy", self.root / "root/mustwatch/deploy")
        (self.root / "root/mustwatch/dist").mkdir()

    def install(self, *arguments: str, check: bool = True) -> subprocess.CompletedProcess[str]:
        """Run the install script; what pip fetched is kept, and what came up is believed sooner, to save time."""
        quicker = {"PIP_NO_CACHE_DIR": "0", "MUSTWATCH_INSTALL_SETTLE": "3"}
        return self.run(INSTALL, *arguments, check=check, **quicker)

    def bring(self, wheel: Path) -> str:
        """Copy a wheel onto it and return its path there."""
        shutil.copy(wheel, self.root / "root/mustwatch/dist")
        return f"{WHEEL}/{wheel.name}"

    def configure(self, more: str) -> None:
        """Add to the configuration, as one does with an editor, and have it taken up."""
        with (self.root / "etc/mustwatch/mustwatch.toml").open("a", encoding="utf-8") as config:
            config.write(more)
        self.run("mustwatch-broker", "sync")
        self.run("systemctl", "restart", "mustwatch")


@pytest.fixture(scope="module")
def pi(tmp_path_factory: pytest.TempPathFactory, built: Built) -> Iterator[Pi]:
    machine = Pi(tmp_path_factory.mktemp("pi"))
    try:
        machine.boot()
        ports = ("--broker-port", str(machine.broker_port), "--pages-port", str(machine.pages_port))
        machine.install("install", "--from", machine.bring(built.wheel), *ports)
        yield machine
    finally:
        machine.stop()


def publish(pi: Pi, user: str, password: str, topic: str, payload: bytes) -> bool:
    """Publish as a float does; return whether the broker took it (MQTT 5 says so)."""
    taken: list[bool] = []
    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    client.username_pw_set(user, password)
    client.on_connect = lambda c, u, f, reason, p: taken.append(False) if reason.is_failure else None
    client.on_publish = lambda c, u, m, reason, p: taken.append(not reason.is_failure)
    client.connect("127.0.0.1", pi.broker_port)
    client.loop_start()
    client.publish(topic, payload, qos=1)
    wait_until(lambda: taken, 10, "the broker's answer")
    client.loop_stop()
    return taken[0]


def test_one_command_brings_a_daemon_that_keeps_watch(pi: Pi) -> None:
    status = pi.said(
        "systemctl", "show", "mustwatch", "-p", "ActiveState,SubState,User,NRestarts", "--value"
    ).split()

    assert status == ["0", "mustwatch", "active", "running"] or set(status) == {
        "active",
        "running",
        "mustwatch",
        "0",
    }
    assert pi.said("systemctl", "is-enabled", "mustwatch") == "enabled"
    assert "keeping watch" in pi.said("journalctl", "-u", "mustwatch", "--no-pager")
    assert "broker connected" in pi.said("journalctl", "-u", "mustwatch", "--no-pager")


def test_it_brings_manual_pages_and_completion(pi: Pi) -> None:
    assert (pi.root / "usr/local/share/man/man1/mustwatch-record.1").stat().st_size > 1000
    assert "complete" in (pi.root / "usr/local/share/bash-completion/completions/mustwatch").read_text()
    assert "#compdef" in (pi.root / "usr/local/share/zsh/site-functions/_mustwatch").read_text()


def test_check_finds_nothing_to_mend(pi: Pi) -> None:
    said = pi.said("mustwatch", "check")

    assert "Nothing has to be mended." in said
    assert "daemon: keeps watch" in said
    assert "takes us" in said


def test_secrets_are_for_root_and_the_service_alone(pi: Pi) -> None:
    modes = pi.said(
        *(
            "stat",
            "-c",
            "%a %U %G %n",
            "/etc/mustwatch",
            "/etc/mustwatch/mustwatch.toml",
            "/etc/mustwatch/secrets.env",
        ),
        *("/var/lib/mustwatch", "/var/lib/mustwatch/cellar.db", "/etc/mosquitto/mustwatch.passwords"),
    ).splitlines()

    assert modes == [
        "750 root mustwatch /etc/mustwatch",
        "640 root mustwatch /etc/mustwatch/mustwatch.toml",
        "600 root root /etc/mustwatch/secrets.env",
        "750 mustwatch mustwatch /var/lib/mustwatch",
        "600 mustwatch mustwatch /var/lib/mustwatch/cellar.db",
        "640 root mosquitto /etc/mosquitto/mustwatch.passwords",
    ]
    assert pi.run(
        "setpriv", "--reuid=nobody", "--clear-groups", "cat", "/etc/mustwatch/mustwatch.toml", check=False
    ).returncode
    secret = pi.said("cat", "/etc/mustwatch/secrets.env").splitlines()[0].split("=", 1)[1]
    assert secret not in pi.said("cat", "/etc/mosquitto/mustwatch.passwords")
    assert secret not in pi.said("journalctl", "--no-pager")


def test_the_hardened_service_can_still_ask_what_it_must(pi: Pi) -> None:
    pid = pi.said("systemctl", "show", "-p", "MainPID", "--value", "mustwatch")
    status = pi.said("cat", f"/proc/{pid}/status")

    assert re.search(r"CapEff:\s+0+\n", status)
    assert re.search(r"NoNewPrivs:\s+1\n", status)
    assert re.search(r"Seccomp:\s+2\n", status)
    limits = pi.said("systemctl", "cat", "mustwatch")
    fences = [
        line
        for line in limits.splitlines()
        if re.match(r"(System|Restrict|Protect|Private|Memory|Proc|Lock|No)", line)
    ]
    asks = "import json, mustwatch.ingest.system_clock as c; print(json.dumps([c.boot_id(), c.is_synchronised()]))"
    said = pi.said(
        *("systemd-run", "--pipe", "--wait", "-q", "-p", "User=mustwatch"),
        *(part for fence in fences for part in ("-p", fence)),
        *("/opt/mustwatch/current/bin/python", "-I", "-c", asks),
    )
    boot_id, is_synchronised = json.loads(said)
    assert boot_id == Path("/proc/sys/kernel/random/boot_id").read_text().strip()
    assert is_synchronised is not None, "adjtimex is refused"


def test_a_float_is_let_in_heard_configured_and_watched(pi: Pi) -> None:
    let_in = pi.said("mustwatch-broker", "add", "float-1")
    password = re.search(r"password  (\S+)", let_in)
    assert password is not None
    listening = pi.root / "root/listening"
    pi.run("sh", "-c", "mustwatch listen --seconds 6 --json >/root/listening 2>/dev/null &")
    time.sleep(3)
    payload = b'{"sg": 1.0532, "temp": 19.4, "batt": 3.98}'
    assert publish(pi, "float-1", password[1], "cellar/float-1", payload)
    wait_until(lambda: '"toml"' in listening.read_text(), 20, "a proposal")
    proposal = json.loads(listening.read_text())["proposals"][0]["toml"]

    pi.configure('\n[[vessel]]\nname = "NAME"\nkind = "bucket"\nlitres = 30\n\n' + proposal + "\n")
    pi.run(
        "mustwatch", "record", "start", "elder", "--vessel", "NAME", "--gravity", "1.090", "--celsius", "20"
    )
    assert publish(pi, "float-1", password[1], "cellar/float-1", payload)

    def vessel() -> str:
        return pi.said("mustwatch", "export", "--format", "csv")

    wait_until(lambda: "1.0532" in vessel(), 30, "the reading in the store")
    assert "float-1: cellar/float-1\n" in pi.said("mustwatch-broker", "list") + "\n"


def test_a_float_writes_its_own_topic_and_no_other_and_nobody_comes_without_a_password(pi: Pi) -> None:
    password = pi.said("mustwatch-broker", "password", "float-1").split()[3]

    assert publish(pi, "float-1", password, "cellar/float-1", b"{}")
    assert not publish(pi, "float-1", password, "cellar/float-2", b"{}")
    assert not publish(pi, "float-1", "guessed", "cellar/float-1", b"{}")
    assert not publish(pi, "", "", "cellar/float-1", b"{}")


class Anna:
    """An ordinary person with sudo."""

    def __init__(self, pi: Pi) -> None:
        """Move in."""
        self._pi = pi
        pi.run("apt-get", "install", "-y", "-qq", "--no-install-recommends", "sudo")
        pi.run("useradd", "--create-home", "anna")
        (pi.root / "etc/sudoers.d/anna").write_text("anna ALL=(ALL) NOPASSWD: ALL\n")
        self.home = pi.root / "home/anna"

    def types(self, line: str, *, code: int = 0) -> str:
        """Type a line in her folder and return what it printed on both streams."""
        done = self._pi.run("runuser", "-u", "anna", "--", "sh", "-c", f"cd && {line} 2>&1", check=False)
        assert done.returncode == code, f"{line}: {done.returncode}\n{done.stdout}"
        return done.stdout


@pytest.fixture(scope="module")
def anna(pi: Pi) -> Anna:
    return Anna(pi)


def test_what_a_person_writes_is_theirs(pi: Pi, anna: Anna) -> None:
    anna.types("mustwatch book elder --html story.html")
    anna.types("mustwatch book elder --json > elder.json")
    anna.types("mustwatch export --out readings.csv")
    anna.types("mkdir backups && mustwatch backup --out backups && mustwatch backup --out cellar.db")
    anna.types("sudo mustwatch export --out of-sudo.csv")

    assert "<html" in (anna.home / "story.html").read_text()
    assert "1.0532" in (anna.home / "readings.csv").read_text()
    owners = pi.said("sh", "-c", "stat -c '%U %n' /home/anna/*.* /home/anna/backups/*").splitlines()
    assert len(owners) == 6
    assert {line.split()[0] for line in owners} == {"anna"}
    assert "Permission denied" in anna.types("mustwatch export --out /root/readings.csv", code=1)
    assert "Permission denied" in anna.types("sudo mustwatch book elder --html /etc/story.html", code=1)
    assert not (pi.root / "root/readings.csv").exists()
    left = pi.said("ls", "-A", "/var/lib/mustwatch")
    assert not re.search(r"backup-|\.part", left), left


def test_what_a_person_reads_is_read_as_them(pi: Pi, anna: Anna) -> None:
    line = '{"tst": "2026-06-01T10:00:00.0Z", "topic": "cellar/float-1", "qos": 1, "retain": 0, "payload": "{\\"sg\\": 1.0611}"}'
    (anna.home / "history").write_text(line + "\n")
    pi.run("chown", "-R", "anna:anna", "/home/anna")
    pi.run("chmod", "0700", "/home/anna")
    (pi.root / "root/history").write_text(line + "\n")

    anna.types("sudo systemctl stop mustwatch")
    assert "1 readings" in anna.types("mustwatch replay history")
    assert "Permission denied" in anna.types("mustwatch replay /root/history", code=2)
    assert "were here already" in anna.types("mustwatch book --import elder.json")
    anna.types("mustwatch record note elder 'after the backup'")
    anna.types("mustwatch restore --from-backup cellar.db --force")
    anna.types("mustwatch restore --from-backup backups --force")
    assert "after the backup" not in anna.types("mustwatch book elder")
    anna.types("sudo systemctl start mustwatch")
    assert not re.search(r"restore-\w{8}$", pi.said("ls", "-A", "/var/lib/mustwatch"), re.MULTILINE)


PUT_A_MESSAGE = """
import time
from pathlib import Path
from mustwatch.alerting.message import MessageKind, written_message
from mustwatch.store.store import Store
now_ms = time.time_ns() // 1_000_000
store = Store(Path("/var/lib/mustwatch/cellar.db"), now_ms)
with store.transaction():
    store.outbox.put([written_message(MessageKind.TEST, "phone", "A try", "If you read this.", now_ms, 86_400_000)])
store.close()
"""


def test_a_message_is_told_by_a_process_of_its_own_within_the_service_s_fences(
    pi: Pi, http_endpoint: HttpEndpoint
) -> None:
    config = pi.root / "etc/mustwatch/mustwatch.toml"
    before = config.read_text(encoding="utf-8")
    pi.configure(f'\n[[tell]]\nname = "phone"\nurl = "{http_endpoint.url}"\n')
    as_the_service = ("setpriv", "--reuid=mustwatch", "--regid=mustwatch", "--clear-groups")
    pi.run(*as_the_service, "/opt/mustwatch/current/bin/python", "-I", "-c", PUT_A_MESSAGE)

    wait_until(lambda: "A try" in http_endpoint.titles(), 60, "the message")
    pid = pi.said("systemctl", "show", "-p", "MainPID", "--value", "mustwatch")
    messenger = pi.said("sh", "-c", f"cat /proc/{pid}/task/*/children").split()[0]
    assert re.search(r"Seccomp:\s+2\n", pi.said("cat", f"/proc/{messenger}/status"))
    assert "PIL" in pi.said("cat", f"/proc/{messenger}/maps"), "what draws is there"
    assert "PIL" not in pi.said("cat", f"/proc/{pid}/maps"), "and not in the daemon"

    config.write_text(before, encoding="utf-8")
    pi.run("systemctl", "restart", "mustwatch")
    said = pi.said("journalctl", "-u", "mustwatch", "--no-pager")
    assert "Killing process" not in said, "it ends its messenger itself"
    assert "s3cret-word" not in said


def test_installing_again_changes_nothing(pi: Pi, built: Built) -> None:
    def state() -> str:
        return pi.said(
            "sh",
            "-c",
            "find /etc/mustwatch /etc/mosquitto /opt/mustwatch -type f -printf '%p %T@ %s\n' | "
            "grep -v -e '/deploy/' -e pycache -e example | sort; systemctl show -p MainPID mustwatch mosquitto",
        )

    before = state()
    said = pi.install("install", "--from", pi.bring(built.wheel)).stdout

    assert "installed already" in said
    assert state() == before


def test_it_comes_back_after_a_crash_by_itself(pi: Pi) -> None:
    pid = pi.said("systemctl", "show", "-p", "MainPID", "--value", "mustwatch")
    pi.run("systemctl", "kill", "-s", "KILL", "mustwatch")

    def again() -> bool:
        now = pi.said("systemctl", "show", "-p", "MainPID", "--value", "mustwatch")
        return (
            now not in ("0", pid)
            and pi.said(
                "systemctl",
                "is-active",
                "mustwatch",
            )
            == "active"
        )

    wait_until(
        lambda: (
            pi.run("systemctl", "is-active", "mustwatch", check=False).stdout.strip() == "active" and again()
        ),
        40,
        "the daemon is back",
    )


def test_a_daemon_that_hangs_is_started_anew_by_the_watchdog(pi: Pi) -> None:
    override = pi.root / "etc/systemd/system/mustwatch.service.d/quicker.conf"
    override.parent.mkdir(parents=True)
    override.write_text("[Service]\nWatchdogSec=6\nRestartSec=1\n")
    pi.run("systemctl", "daemon-reload")
    pi.run("systemctl", "restart", "mustwatch")
    pid = pi.said("systemctl", "show", "-p", "MainPID", "--value", "mustwatch")

    pi.run("systemctl", "kill", "-s", "STOP", "mustwatch")

    def is_another() -> bool:
        now = pi.said("systemctl", "show", "-p", "MainPID", "--value", "mustwatch")
        state = pi.run("systemctl", "is-active", "mustwatch", check=False).stdout.strip()
        return state == "active" and now not in ("0", pid)

    wait_until(is_another, 40, "another daemon")
    assert "watchdog" in pi.said("journalctl", "-u", "mustwatch", "--no-pager").lower()
    override.unlink()
    pi.run("systemctl", "daemon-reload")
    pi.run("systemctl", "restart", "mustwatch")


def test_an_upgrade_makes_a_backup_and_keeps_the_data(pi: Pi, built: Built, tmp_path: Path) -> None:
    newer = other_version(built.wheel, "0.1.90", tmp_path, {})

    pi.install("upgrade", "--from", pi.bring(newer))

    assert pi.said("mustwatch", "--version") == "mustwatch 0.1.90"
    assert pi.said("ls", "/var/lib/mustwatch/backups").startswith("before-upgrade-")
    assert "1.0532" in pi.said("mustwatch", "export", "--format", "csv")


MIGRATION = 'Migration(99, "of a version to come", _script("CREATE TABLE to_come (x INTEGER)")),'


def test_an_upgrade_that_does_not_come_up_is_undone_with_its_store(
    pi: Pi, built: Built, tmp_path: Path
) -> None:
    broken = other_version(
        built.wheel,
        "0.1.91",
        tmp_path,
        {
            "mustwatch/store/schema.py": lambda text: text.replace(
                ")\n\n\nclass SchemaTooNewError", f"    {MIGRATION}\n)\n\n\nclass SchemaTooNewError"
            ),
            "mustwatch/app/pipeline.py": lambda text: text.replace(
                "    def run(self, stop: threading.Event) -> None:\n",
                "    def run(self, stop: threading.Event) -> None:\n        raise RuntimeError('a fault')\n",
            ),
        },
    )

    undone = pi.install("upgrade", "--from", pi.bring(broken), check=False)

    assert undone.returncode == 1
    assert "the upgrade was undone" in undone.stderr
    assert pi.said("mustwatch", "--version") == "mustwatch 0.1.90"
    assert pi.said("systemctl", "is-active", "mustwatch") == "active"
    assert "1.0532" in pi.said("mustwatch", "export", "--format", "csv")
    assert "cellar.db.of-0.1.91" in pi.said("ls", "/var/lib/mustwatch")


def test_a_rollback_brings_the_former_version_back_with_a_store_that_it_can_read(
    pi: Pi, built: Built, tmp_path: Path
) -> None:
    newer = other_version(
        built.wheel,
        "0.1.92",
        tmp_path,
        {
            "mustwatch/store/schema.py": lambda text: text.replace(
                ")\n\n\nclass SchemaTooNewError", f"    {MIGRATION}\n)\n\n\nclass SchemaTooNewError"
            )
        },
    )
    pi.install("upgrade", "--from", pi.bring(newer))
    assert pi.said("mustwatch", "--version") == "mustwatch 0.1.92"
    refuse_a_link_in_the_backup_s_place(pi)

    said = pi.run("/opt/mustwatch/deploy/install.sh", "rollback").stdout

    assert "back to mustwatch 0.1.90" in said
    assert pi.said("mustwatch", "--version") == "mustwatch 0.1.90"
    assert pi.said("systemctl", "is-active", "mustwatch") == "active"
    assert "1.0532" in pi.said("mustwatch", "export", "--format", "csv")
    assert "Nothing has to be mended." in pi.said("mustwatch", "check")
    aside = next(line for line in said.splitlines() if "is kept as" in line).rsplit(" ", 1)[1]
    assert pi.said("stat", "-c", "%U %a", aside, "/var/lib/mustwatch/cellar.db").splitlines() == [
        "mustwatch 600",
        "mustwatch 600",
    ]


def refuse_a_link_in_the_backup_s_place(pi: Pi) -> None:
    """The service owns the folder of backups: a rollback, which root types, must not read for it what root can."""
    secret = pi.root / "root/secret"
    secret.write_text("for root alone")
    secret.chmod(0o600)
    backup = pi.said("cat", "/opt/mustwatch/backup-of-upgrade")
    as_the_service = ("setpriv", "--reuid=mustwatch", "--regid=mustwatch", "--clear-groups")
    pi.run(*as_the_service, "mv", backup, f"{backup}.good")
    pi.run(*as_the_service, "ln", "-s", "/root/secret", backup)

    refused = pi.run("/opt/mustwatch/deploy/install.sh", "rollback", check=False)

    assert refused.returncode == 1
    assert "nothing was changed" in refused.stderr
    assert pi.said("mustwatch", "--version") == "mustwatch 0.1.92"
    wait_until(lambda: pi.said("systemctl", "is-active", "mustwatch") == "active", 20, "it keeps watch")
    assert pi.run("grep", "-rl", "for root alone", "/var/lib/mustwatch", check=False).stdout == ""
    pi.run(*as_the_service, "mv", f"{backup}.good", backup)


def test_a_second_rollback_has_nothing_to_go_back_to_and_changes_nothing(pi: Pi) -> None:
    pid = pi.said("systemctl", "show", "-p", "MainPID", "--value", "mustwatch")

    refused = pi.run("/opt/mustwatch/deploy/install.sh", "rollback", check=False)

    assert refused.returncode == 1
    assert "there is no former version to go back to" in refused.stderr
    assert pi.said("systemctl", "show", "-p", "MainPID", "--value", "mustwatch") == pid


def test_an_archive_brings_a_whole_cellar_onto_a_new_card(pi: Pi, built: Built) -> None:
    said = pi.run("/opt/mustwatch/deploy/install.sh", "archive", "/root/cellar.tar.gz").stdout
    assert "passwords" in said
    assert pi.said("stat", "-c", "%a %U", "/root/cellar.tar.gz") == "600 root"
    secrets = pi.said("cat", "/etc/mustwatch/secrets.env")
    password = pi.said("mustwatch-broker", "password", "float-1").split()[3]
    pi.run("/opt/mustwatch/deploy/install.sh", "archive", "/root/cellar.tar.gz")
    refused = pi.install("install", "--archive", "/root/cellar.tar.gz", check=False)
    assert "already" in refused.stderr

    pi.install("uninstall", "--purge")
    pi.install("install", "--from", pi.bring(built.wheel), "--archive", "/root/cellar.tar.gz")

    assert pi.said("cat", "/etc/mustwatch/secrets.env") == secrets
    assert publish(pi, "float-1", password, "cellar/float-1", b'{"sg": 1.0512, "temp": 19.4}')
    wait_until(lambda: "1.0512" in pi.said("mustwatch", "export", "--format", "csv"), 30, "a new reading")
    assert "1.0532" in pi.said("mustwatch", "export", "--format", "csv")
    assert "elder" in pi.said("mustwatch", "book")
    modes = pi.said("sh", "-c", "stat -c '%a %U %G' /etc/mustwatch/secrets.env /var/lib/mustwatch/cellar.db")
    assert modes.splitlines() == ["600 root root", "600 mustwatch mustwatch"]


def test_uninstalling_keeps_data_and_purging_does_not(pi: Pi, built: Built) -> None:
    pi.run("/opt/mustwatch/deploy/install.sh", "uninstall")
    assert not (pi.root / "opt/mustwatch").exists()
    assert (pi.root / "var/lib/mustwatch/cellar.db").exists()
    assert (pi.root / "etc/mustwatch/mustwatch.toml").exists()

    pi.install("install", "--from", pi.bring(built.wheel))
    assert "1.0532" in pi.said("mustwatch", "export", "--format", "csv")

    pi.install("uninstall", "--purge")
    assert not list((pi.root / "usr/local/share/man/man1").glob("mustwatch*"))
    for gone in ("opt/mustwatch", "var/lib/mustwatch", "etc/mustwatch", "usr/local/bin/mustwatch"):
        assert not (pi.root / gone).exists()
    assert pi.run("id", "mustwatch", check=False).returncode != 0


README = (PROJECT / "README.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"^```(\w*)\n(.*?)^```$", README, re.MULTILINE | re.DOTALL)


def test_a_newcomer_comes_through_by_the_lines_of_the_readme(
    pi: Pi, anna: Anna, built: Built, http_endpoint: HttpEndpoint
) -> None:
    """As written, but for the ports, which this machine shares with others, and for how long it listens."""
    began = time.monotonic()
    shutil.copy(built.sdist, anna.home)
    digest = hashlib.sha256(built.sdist.read_bytes()).hexdigest()
    (anna.home / "SHA256SUMS").write_text(f"{digest}  {built.sdist.name}\n{'0' * 64}  mustwatch.whl\n")
    pi.run("chown", "-R", "anna:anna", "/home/anna")
    for line in re.findall(r"`(sha256sum .*?)`", README):
        anna.types(line)
    folder = f"cd {built.sdist.name.removesuffix('.tar.gz')}"
    ports = f"--broker-port {pi.broker_port} --pages-port {pi.pages_port}"
    said = anna.types(f"{folder} && sudo MUSTWATCH_INSTALL_SETTLE=3 deploy/install.sh install --lan {ports}")
    assert re.search(r"http://[\d.]+:\d+/enter#\S+", said), "a link that signs a phone in"
    assert "▀" in said, "and its QR code"

    added = anna.types("sudo mustwatch-broker add float-1")
    password = re.search(r"password  (\S+)", added)
    assert password is not None
    assert publish(pi, "float-1", password[1], "cellar/float-1", b'{"sg": 1.0532, "temp": 19.4}')
    anna.types("sudo mustwatch listen --seconds 2")
    toml = "\n".join(text for language, text in BLOCKS if language == "toml")
    toml += '\n[[vessel]]\nname = "carboy-1"\nkind = "carboy"\nlitres = 23\n'
    (anna.home / "entries").write_text(toml.replace('"mailto://..."', f'"{http_endpoint.url}"'))
    anna.types("sudo sh -c 'cat entries >>/etc/mustwatch/mustwatch.toml'")
    (known,) = re.findall(r"`(sudo mustwatch check && .*?)`", README, re.DOTALL)
    anna.types(" ".join(known.split()))

    typed = [
        line for _, text in BLOCKS for line in text.splitlines() if re.match(r"(sudo )?mustwatch ", line)
    ]
    typed += [
        " ".join(line.split()) for line in re.findall(r"`(mustwatch calibrate .*?)`", README, re.DOTALL)
    ]
    typed += ["mustwatch backup", "mustwatch restore", "mustwatch export --format csv", "mustwatch alerts"]
    assert len(typed) >= 15
    for number, line in enumerate(typed):
        is_gate = "record bottle" in line  # a wine that is not finished is not to be bottled
        if line != "sudo mustwatch welcome":  # which a test of its own walks
            on_its_day = f" --at '{40 - 5 * number}d ago'" if " record " in line else ""
            anna.types(line.split("  #")[0] + on_its_day, code=1 if is_gate else 0)
    assert "mustwatch: a test" in http_endpoint.titles()
    anna.types(f"{folder} && sudo deploy/install.sh phone && sudo deploy/install.sh archive cellar.tar.gz")
    print(
        f"from the archive to a float that is told: {(time.monotonic() - began) / 60:.1f} minutes of the machine"
    )
    pi.install("uninstall", "--purge")


def test_a_broker_of_one_s_own_is_left_alone_and_its_password_is_the_one_used(pi: Pi, built: Built) -> None:
    port = free_port()
    own = pi.root / "etc/mosquitto/conf.d/mine.conf"
    own.write_text(f"listener {port}\nallow_anonymous false\npassword_file /etc/mosquitto/mine\n")
    pi.run("mosquitto_passwd", "-b", "-c", "/etc/mosquitto/mine", "shed", "of-my-own")
    pi.run("chgrp", "mosquitto", "/etc/mosquitto/mine")
    pi.run("chmod", "0640", "/etc/mosquitto/mine")
    pi.run("systemctl", "restart", "mosquitto")
    ports = ("--broker-port", str(port), "--pages-port", str(pi.pages_port))

    refused = pi.install("install", "--from", pi.bring(built.wheel), *ports, check=False)
    assert refused.returncode == 1
    assert "--no-broker" in refused.stderr
    assert not (pi.root / "opt/mustwatch").exists(), "it is said before anything is changed"

    said = pi.install("install", "--from", pi.bring(built.wheel), "--no-broker", *ports).stdout
    assert "what to enter in your broker" in said
    config = pi.root / "etc/mustwatch/mustwatch.toml"
    config.write_text(
        config.read_text().replace('username = "mustwatch"', 'username = "shed"\npassword = "of-my-own"')
    )
    said = pi.said("mustwatch-broker", "add", "float-1")
    pi.install("install", "--from", pi.bring(built.wheel), *ports)  # which it was for, is remembered
    pi.run("mustwatch-broker", "sync")
    pi.run("systemctl", "restart", "mustwatch", "mosquitto")

    assert "topic write cellar/float-1" in said
    assert [file.name for file in (pi.root / "etc/mosquitto/conf.d").glob("*.conf")] == ["mine.conf"]
    assert pi.said("systemctl", "is-active", "mosquitto") == "active"
    wait_until(lambda: "takes us" in pi.run("mustwatch", "check", check=False).stdout, 20, "the own broker")


def test_a_broker_that_does_not_come_up_is_as_it_was(pi: Pi, built: Built) -> None:
    """Another program has its port."""
    pi.install("uninstall", "--purge")
    (pi.root / "etc/mosquitto/conf.d/mine.conf").unlink()
    pi.run("systemctl", "restart", "mosquitto")
    port = free_port()
    pi.run("systemd-run", "-q", "--unit=taken", "/usr/bin/python3", "-m", "http.server", str(port))
    wait_until(lambda: pi.said("systemctl", "is-active", "taken") == "active", 10, "a port taken")

    refused = pi.install("install", "--from", pi.bring(built.wheel), "--broker-port", str(port), check=False)

    assert refused.returncode == 1
    assert "everything is as it was before" in refused.stderr
    assert list((pi.root / "etc/mosquitto/conf.d").glob("*.conf")) == []
    assert pi.said("systemctl", "is-active", "mosquitto") == "active"
