"""Files that never change under their address: style, scripts and pictures, read and compressed once, at the start.

Each is served under an address that holds the digest of its content, to be kept for a year: the shed has no internet
and a slow radio, and nothing is fetched twice.
"""

import gzip
import hashlib
from pathlib import Path
from typing import NamedTuple

from starlette.responses import Response

OWN = Path(__file__).with_name("static")
TYPES = {
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
    ".png": "image/png",
    ".webmanifest": "application/manifest+json",
}
KEEP_S = 365 * 86_400


class _Held(NamedTuple):
    """A file as it is served."""

    digest: str
    content: bytes
    packed: bytes


class Statics:
    """The files by name."""

    def __init__(self) -> None:
        """Read them all."""
        self._files = {path.name: _held(path.read_bytes()) for path in OWN.iterdir() if path.suffix in TYPES}

    def url(self, name: str) -> str:
        """Return the address of a file; it changes with the content.

        Raises:
            KeyError: there is no such file.
        """
        return f"/static/{self._files[name].digest}/{name}"

    def text(self, name: str) -> bytes:
        """Return a file as it is, for one whose address must not change.

        Raises:
            KeyError: there is no such file.
        """
        return self._files[name].content

    def response(self, digest: str, name: str, *, accepts_gzip: bool) -> Response | None:
        """Return the answer to a request for a file, or None if there is none of that name and digest."""
        held = self._files.get(name)
        if held is None or held.digest != digest:
            return None
        headers = {"Cache-Control": f"public, max-age={KEEP_S}, immutable", "Vary": "Accept-Encoding"}
        if accepts_gzip:
            headers["Content-Encoding"] = "gzip"
        content = held.packed if accepts_gzip else held.content
        return Response(content, media_type=TYPES[Path(name).suffix], headers=headers)


def _held(content: bytes) -> _Held:
    return _Held(hashlib.sha256(content).hexdigest()[:12], content, gzip.compress(content, mtime=0))
