"""Whose hand opens a file. On an installed machine a command becomes the service, which alone may touch the store.

Before it does, it leaves a second process behind that becomes the person who typed the command, in their folder and
with their rights: what they write or read is opened there, and the open file is handed over. Neither of them is root.
Where a command is run by the person who owns the cellar there is no such process, and files are opened as ever.
"""

import contextlib
import errno
import json
import os
import pwd
import signal
import socket
import stat
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any, NoReturn

SERVICE = "MUSTWATCH_SERVICE"
"""In the environment of a command that root runs: the user to become."""
SECRETS = Path("/etc/mustwatch/secrets.env")
"""The service's passwords, which only root can read."""
MOST_SAID_BYTES = 64 * 1024
MOST_NAMES = 200

_hand: socket.socket | None = None


def is_another() -> bool:
    """Say whether the person who typed the command is another user than the one who runs it now."""
    return _hand is not None


def reading(path: Path) -> IO[bytes]:
    """Open a person's file for reading.

    Raises:
        OSError: they cannot read it.
    """
    return os.fdopen(_ask("read", path), "rb")


def text_of(path: Path) -> str:
    """Return the text of a person's file.

    Raises:
        OSError, UnicodeDecodeError: they cannot read it, or it is no UTF-8.
    """
    with reading(path) as file:
        return file.read().decode()


@contextmanager
def writing(path: Path) -> Iterator[IO[bytes]]:
    """Open a person's file for a block that writes it: whole, or not at all. It is on the disk at the end.

    Raises:
        OSError: they cannot write there, or there is no room.
    """
    handle = _ask("begin", path)
    is_whole = False
    try:
        with os.fdopen(handle, "wb") as file:
            yield file
            file.flush()
            if stat.S_ISREG(os.fstat(handle).st_mode):
                os.fsync(handle)
        _ask("finish", path)
        is_whole = True
    finally:
        if not is_whole:
            _ask("drop", path)


def is_folder(path: Path) -> bool:
    """Say whether a person's path is a folder."""
    return bool(_ask("is-folder", path))


def names_in(path: Path) -> list[str]:
    """Return the names in a person's folder, the last in the order of letters first, at most 200.

    Raises:
        OSError: they cannot look into it.
    """
    names: list[str] = _ask("list", path)
    return names


# --- what is done, by whoever the person is -----------------------------------------------------------------------


def _part(path: str) -> tuple[Path, Path]:
    """Return what is written first, and what it becomes; a link stays one."""
    whole = Path(path).resolve()
    return whole.with_name(f"{whole.name}.{os.getpid()}.part"), whole


def _begin(path: str) -> int:
    part, whole = _part(path)
    if whole.exists() and not whole.is_file():  # a pipe or a terminal; a folder says that it is one
        return os.open(whole, os.O_WRONLY | os.O_CLOEXEC)
    return os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o666)


def _finish(path: str) -> None:
    part, whole = _part(path)
    with contextlib.suppress(FileNotFoundError):  # a pipe has no part
        part.replace(whole)


def _drop(path: str) -> None:
    with contextlib.suppress(OSError):
        _part(path)[0].unlink()


DOES: dict[str, Callable[[str], Any]] = {
    "read": lambda path: os.open(path, os.O_RDONLY | os.O_CLOEXEC),
    "begin": _begin,
    "finish": _finish,
    "drop": _drop,
    "is-folder": os.path.isdir,
    "list": lambda path: sorted((p.name for p in Path(path).iterdir()), reverse=True)[:MOST_NAMES],
}
HANDLES = ("read", "begin")
"""What gives an open file."""


def _ask(does: str, path: Path) -> Any:
    if _hand is None:
        return DOES[does](str(path))
    _hand.send(json.dumps([does, str(path)]).encode())
    said, handles, _, _ = socket.recv_fds(_hand, MOST_SAID_BYTES, 1)
    if not said:
        raise OSError(f"the process that opens your files has ended before {path}")
    number, got = json.loads(said)
    if number:
        raise OSError(number, os.strerror(number), str(path))
    return handles[0] if handles else got


# --- becoming the service -----------------------------------------------------------------------------------------


def become_the_service() -> None:
    """Where root runs the command for an installed service: become it, and leave the person's process behind."""
    service = os.environ.pop(SERVICE, None)
    if service is None or os.geteuid() != 0:
        return
    global _hand
    ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    person = _person()
    if os.fork() == 0:
        ours.close()
        _become(person, os.getgrouplist(person.pw_name, person.pw_gid))
        _open_what_is_asked(theirs)
    theirs.close()
    take_secrets()
    user = pwd.getpwnam(service)
    _become(user, [user.pw_gid])
    os.environ["HOME"] = user.pw_dir
    os.umask(0o077)
    _hand = ours


def _person() -> pwd.struct_passwd:
    """Return who asked for the command by sudo; in a shell of root's it is root."""
    asked_for = os.environ.get("SUDO_COMMAND", "").split(" ")[0]
    is_asked = asked_for.endswith("/mustwatch") and "SUDO_UID" in os.environ
    return pwd.getpwuid(int(os.environ["SUDO_UID"]) if is_asked else 0)


def _become(user: pwd.struct_passwd, groups: list[int]) -> None:
    os.setgroups(groups)
    os.setresgid(user.pw_gid, user.pw_gid, user.pw_gid)
    os.setresuid(user.pw_uid, user.pw_uid, user.pw_uid)


def take_secrets() -> None:
    with contextlib.suppress(OSError):
        for line in SECRETS.read_text(encoding="utf-8").splitlines():
            key, is_set, value = line.partition("=")
            if is_set and key.startswith("MUSTWATCH_"):
                os.environ[key] = value.strip("\"'")


def _open_what_is_asked(asked: socket.socket) -> NoReturn:
    """Be the person's process until the command has ended."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the terminal's is for the command
    nothing = os.open(os.devnull, os.O_RDWR)
    for stream in (0, 1, 2):  # who reads what the command prints should see its end
        os.dup2(nothing, stream)
    while said := asked.recv(MOST_SAID_BYTES):
        does, path = json.loads(said)
        handles: list[int] = []
        number, got = 0, None
        try:
            if does in HANDLES:
                handles = [DOES[does](path)]
            else:
                got = DOES[does](path)
        except OSError as error:
            number = error.errno or errno.EIO
        socket.send_fds(asked, [json.dumps([number, got]).encode()], handles)
        for handle in handles:
            os.close(handle)
    os._exit(0)
