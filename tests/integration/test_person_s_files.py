"""A command that became the service opens a person's files as that person, and its own as itself."""

import os
import pwd
import subprocess
import sys
from pathlib import Path

import pytest

from brokers import missing

WHO = "nobody"
SERVICE = "daemon"
"""Two ordinary users that every Debian has: the person, and who the service is here."""

BECOME = f"""
import os, sys
from pathlib import Path
os.environ |= {{"MUSTWATCH_SERVICE": "{SERVICE}", "SUDO_COMMAND": "/usr/local/bin/mustwatch export"}}
from mustwatch.cli import person
person.become_the_service()
"""


@pytest.fixture
def home(tmp_path: Path) -> Path:
    """Return a folder that is the person's alone; the way to it is open."""
    if os.geteuid() != 0:
        missing("not root: nobody can become another user")
    for folder in (*tmp_path.parents[:2], tmp_path):
        folder.chmod(0o755)
    made = tmp_path / "home"
    made.mkdir(mode=0o700)
    person = pwd.getpwnam(WHO)
    os.chown(made, person.pw_uid, person.pw_gid)
    return made


def as_service(code: str, home: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", BECOME + code],
        cwd=home,
        env={**os.environ, "SUDO_UID": str(pwd.getpwnam(WHO).pw_uid)},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


def test_what_is_written_is_the_person_s_and_the_command_is_the_service(home: Path) -> None:
    done = as_service(
        "with person.writing(Path('story.html')) as file: file.write(b'the story')\n"
        "print(os.getresuid(), os.getgroups(), Path(f'/proc/{os.getpid()}/status').read_text().split('CapEff:')[1][:17])\n",
        home,
    )

    assert done.returncode == 0, done.stderr
    written = home / "story.html"
    assert written.read_text() == "the story"
    assert written.owner() == WHO
    assert [file.name for file in home.iterdir()] == ["story.html"]
    service = pwd.getpwnam(SERVICE)
    uid = service.pw_uid
    assert done.stdout.split("\t")[0].strip() == f"({uid}, {uid}, {uid}) [{service.pw_gid}]"
    assert int(done.stdout.split("\t")[1], 16) == 0


def test_what_the_person_may_not_read_is_not_read_for_them(home: Path, tmp_path: Path) -> None:
    of_root = tmp_path / "of-root"
    of_root.write_text("a secret")
    of_root.chmod(0o600)
    of_service = tmp_path / "of-service"
    of_service.write_text("the store")
    os.chown(of_service, pwd.getpwnam(SERVICE).pw_uid, 0)
    of_service.chmod(0o600)
    (home / "mine").write_text("mine")
    os.chown(home / "mine", pwd.getpwnam(WHO).pw_uid, 0)
    (home / "mine").chmod(0o600)

    done = as_service(
        f"for path in ('mine', {str(of_root)!r}, {str(of_service)!r}):\n"
        "    try: print(person.text_of(Path(path)))\n"
        "    except PermissionError as error: print('refused', error.strerror)\n"
        f"print(Path({str(of_service)!r}).read_text())\n"
        "try: Path('mine').read_text()\n"
        "except PermissionError: print('not as the service')\n",
        home,
    )

    assert done.stdout.splitlines() == [
        "mine",
        "refused Permission denied",
        "refused Permission denied",
        "the store",
        "not as the service",
    ], done.stderr


def test_what_was_not_written_whole_is_not_there(home: Path) -> None:
    done = as_service(
        "with person.writing(Path('story.html')) as file:\n    file.write(b'half')\n    raise SystemExit(1)",
        home,
    )

    assert done.returncode == 1
    assert list(home.iterdir()) == []


def test_what_is_written_to_a_device_is_no_file_in_its_place(home: Path) -> None:
    done = as_service("with person.writing(Path('/dev/null')) as file: file.write(b'x')", home)

    assert done.returncode == 0, done.stderr
    assert Path("/dev/null").is_char_device()


def test_in_a_shell_of_root_s_the_person_is_root(home: Path, tmp_path: Path) -> None:
    code = BECOME.replace("/usr/local/bin/mustwatch export", "/bin/bash")
    (tmp_path / "of-root").write_text("a secret")
    (tmp_path / "of-root").chmod(0o600)

    done = subprocess.run(
        [sys.executable, "-c", code + "print(person.text_of(Path('of-root')))"],
        cwd=tmp_path,
        env={**os.environ, "SUDO_UID": str(pwd.getpwnam(WHO).pw_uid)},
        capture_output=True,
        text=True,
        check=False,
    )

    assert done.stdout == "a secret\n", done.stderr
