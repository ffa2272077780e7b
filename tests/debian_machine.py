"""A Debian of its own with systemd running in it, for trying what a person does on a fresh Raspberry Pi.

Made by debootstrap, booted by systemd-nspawn; needs root. The root is kept as a tar file between runs, in
``MUSTWATCH_TEST_CACHE`` or ``~/.cache/mustwatch-tests``. It shares this machine's network and its settings of where
packages come from.
"""

import os
import shutil
import signal
import socket
import subprocess
import time
from pathlib import Path

from brokers import missing

BUILD = Path(__file__).parent / "containers" / "build-debian-root.sh"
CERTIFICATES = Path("/etc/ssl/certs/ca-certificates.crt")

ENVIRONMENT = (
    "PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin",
    "HOME=/root",
    "LANG=C.UTF-8",
)


def debian_root() -> Path:
    """Return the tar file of a Debian root, made if it is not there yet."""
    if os.geteuid() != 0:
        missing("not root: no Debian root can be made")
    if shutil.which("debootstrap") is None:
        missing("debootstrap is not installed (apt install debootstrap)")
    cache = Path(os.environ.get("MUSTWATCH_TEST_CACHE") or Path.home() / ".cache" / "mustwatch-tests")
    file = cache / "debian-bookworm.tar"
    made = subprocess.run([str(BUILD), str(file)], capture_output=True, text=True, check=False)
    if made.returncode != 0:
        missing(f"debootstrap failed: {made.stderr[-500:]}")
    return file


class Machine:
    """A booted Debian."""

    def __init__(self, folder: Path) -> None:
        """Unpack a root and give it this machine's settings of where packages come from."""
        if shutil.which("systemd-nspawn") is None:
            missing("systemd-nspawn is not installed (apt install systemd-container)")
        self.root = folder / "root"
        self.root.mkdir(parents=True)
        subprocess.run(["tar", "-C", str(self.root), "-xf", str(debian_root())], check=True)
        for settings in ("sources.list", "sources.list.d", "apt.conf.d"):
            ours, theirs = Path("/etc/apt") / settings, self.root / "etc/apt" / settings
            if ours.is_dir():
                shutil.copytree(ours, theirs, dirs_exist_ok=True)
            elif ours.exists():
                shutil.copy(ours, theirs)
            elif theirs.is_file():
                theirs.unlink()
        if Path("/etc/pip.conf").exists():
            shutil.copy("/etc/pip.conf", self.root / "etc")
        self._log = folder / "boot.log"
        self._process: subprocess.Popen[bytes] | None = None

    def boot(self) -> None:
        """Start it and wait until systemd says that it runs."""
        name = f"mustwatch-{os.getpid()}"
        command = ["systemd-nspawn", "-q", "-D", str(self.root), "--boot", "--register=no", "--keep-unit"]
        command += [f"--machine={name}", "--resolv-conf=copy-host", "--bind-ro=/etc/hosts"]
        command.append("--system-call-filter=adjtimex clock_adjtime")  # as on a machine of its own
        if CERTIFICATES.exists():
            command.append(f"--bind-ro={CERTIFICATES}")
        with self._log.open("wb") as log:
            self._process = subprocess.Popen(
                command, stdin=subprocess.DEVNULL, stdout=log, stderr=log, start_new_session=True
            )
        ends = time.monotonic() + 60
        while self.run("systemctl", "is-system-running", check=False).stdout.strip() not in (
            "running",
            "degraded",
        ):
            if time.monotonic() > ends or self._process.poll() is not None:
                missing(f"a Debian cannot be booted here: {self._log.read_text(errors='replace')[-800:]}")
            time.sleep(0.3)

    def run(
        self, *command: str, check: bool = True, stdin: str | None = None, **environment: str
    ) -> subprocess.CompletedProcess[str]:
        """Run a command in it as root."""
        leader = self._leader()
        if leader is None:
            return subprocess.CompletedProcess(command, 1, "", "not booted yet")
        pip = [f"{k}={v}" for k, v in os.environ.items() if k.startswith("PIP_")]
        more = [f"{k}={v}" for k, v in environment.items()]
        done = subprocess.run(
            [
                *f"nsenter -t {leader} -m -u -i -p -C -r -w env -i".split(),
                *pip,
                *more,
                *ENVIRONMENT,
                *command,
            ],
            capture_output=True,
            text=True,
            input=stdin,
            check=False,
        )
        assert not check or done.returncode == 0, f"{command}: {done.returncode}\n{done.stdout}{done.stderr}"
        return done

    def said(self, *command: str) -> str:
        """Return what a command that must succeed printed, without the line's end."""
        return self.run(*command).stdout.strip()

    def _leader(self) -> int | None:
        assert self._process is not None
        pid = self._process.pid
        try:
            children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
        except OSError:
            return None
        return int(children[0]) if children else None

    def stop(self) -> None:
        """Cut its power."""
        if self._process is not None and self._process.poll() is None:
            self._process.terminate()
            try:
                self._process.wait(20)
            except subprocess.TimeoutExpired:
                self._process.send_signal(signal.SIGKILL)
                self._process.wait(10)


def free_port() -> int:
    """Return a free TCP port."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
