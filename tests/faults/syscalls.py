"""What a process did to files and to one socket, from strace's record: writes, syncs, and what was said when.

The record is of system calls with all their bytes. A write counts as begun when it was called; a sync counts as done
when it returned; what was sent counts as said when it was called: each the choice that makes a promise harder to keep.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

CALLS = "openat,pwrite64,write,fsync,fdatasync,ftruncate,unlink,rename,sendto,recvfrom"
_LINE = re.compile(r"^(\d+)\s+(.*)$")
_UNFINISHED = re.compile(r"^(\w+)\((.*) <unfinished \.\.\.>$")
_RESUMED = re.compile(r"^<\.\.\. (\w+) resumed>(.*)$")
_CALL = re.compile(r"^(\w+)\((.*)\)\s+= (-?\d+)")
_FD = re.compile(r"^(\d+)<(.*?)>(?:, |$)")
_TEXT = re.compile(r'"((?:\\x[0-9a-f]{2})*)"')


@dataclass(frozen=True)
class Write:
    """Bytes written into a file."""

    path: str
    offset: int
    data: bytes


@dataclass(frozen=True)
class Truncated:
    """A file cut or stretched to a size."""

    path: str
    size: int


@dataclass(frozen=True)
class Synced:
    """A file's content is on the disk."""

    path: str


@dataclass(frozen=True)
class Removed:
    """A file's name was taken away."""

    path: str


@dataclass(frozen=True)
class Said:
    """Bytes sent to, or (``is_heard``) received from, the other side of a socket."""

    socket: str
    data: bytes
    is_heard: bool


Event = Write | Truncated | Synced | Removed | Said


def command(record: Path) -> list[str]:
    """Return what runs a program under observation."""
    return ["strace", "-f", "-yy", "-xx", "-s", "1000000", "-e", f"trace={CALLS}", "-o", str(record)]


def events(record: Path) -> Iterator[Event]:
    """Yield what happened, in order."""
    pending: dict[str, tuple[str, str]] = {}
    with record.open(encoding="ascii", errors="replace") as lines:
        for line in lines:
            match = _LINE.match(line.rstrip("\n"))
            if match is None:
                continue
            pid, said = match.groups()
            unfinished = _UNFINISHED.match(said)
            if unfinished is not None:
                name, arguments = unfinished.groups()
                pending[pid] = (name, arguments)
                yield from _begun(name, arguments)
                continue
            resumed = _RESUMED.match(said)
            if resumed is not None:
                name, rest = resumed.groups()
                begun = pending.pop(pid, None)
                if begun is not None:
                    yield from _ended(name, begun[1] + rest, was_begun=True)
                continue
            yield from _ended("", said, was_begun=False)


def _begun(name: str, arguments: str) -> Iterator[Event]:
    """Yield what a call that has not returned may have done already."""
    if name in ("pwrite64", "sendto", "ftruncate"):
        yield from _event(name, arguments, 0)


def _ended(name: str, said: str, *, was_begun: bool) -> Iterator[Event]:
    match = _CALL.match(said if not was_begun else f"{name}({said}")
    if match is None:
        return
    called, arguments, result = match.group(1), match.group(2), int(match.group(3))
    if result < 0 or (was_begun and called in ("pwrite64", "sendto", "ftruncate")):
        return
    yield from _event(called, arguments, result)


def _event(name: str, arguments: str, result: int) -> Iterator[Event]:
    if name == "unlink":
        text = _TEXT.search(arguments)
        if text is not None:
            yield Removed(_bytes(text.group(1)).decode())
        return
    fd = _FD.match(arguments)
    if fd is None:
        return
    where, rest = fd.group(2), arguments[fd.end() :]
    if where.startswith("\\x"):
        where = _bytes(where).decode()
    if name in ("fsync", "fdatasync"):
        yield Synced(where)
    elif name == "ftruncate":
        yield Truncated(where, int(rest))
    elif name == "pwrite64":
        text = _TEXT.match(rest)
        assert text is not None, "strace was given room for every byte"
        yield Write(where, int(rest[text.end() :].split(", ")[2]), _bytes(text.group(1)))
    elif name in ("sendto", "recvfrom") and where.startswith("TCP"):
        text = _TEXT.match(rest)
        if text is not None:
            data = _bytes(text.group(1))
            yield Said(where, data[:result] if name == "recvfrom" else data, name == "recvfrom")


def _bytes(escaped: str) -> bytes:
    return bytes.fromhex(escaped.replace("\\x", ""))
