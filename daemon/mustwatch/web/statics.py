"""Files that never change under their address: style, scripts, and plotly's JavaScript from the installed package.

Each is served compressed, under an address that holds the digest of its content, to be kept for a year: the shed has no
internet and a slow radio, and nothing is fetched twice.
"""

import gzip
import hashlib
import threading
import zlib
from importlib.util import find_spec
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
PLOTLY = "plotly.min.js"
KEEP_S = 365 * 86_400
CHUNK_BYTES = 256 * 1024


class _File(NamedTuple):
    compressed: bytes
    media_type: str


def find_plotly() -> Path | None:
    """Return where the installed plotly package keeps its JavaScript, without importing the package, or None."""
    spec = find_spec("plotly")
    places = spec.submodule_search_locations if spec is not None else None
    found = [Path(place) / "package_data" / PLOTLY for place in places or ()]
    return next((path for path in found if path.is_file()), None)


class Statics:
    """The files by name, read and compressed when first asked for."""

    def __init__(self) -> None:
        """Look which files there are; read none yet."""
        self._paths = {p.name: p for p in OWN.iterdir() if p.suffix in TYPES}
        plotly = find_plotly()
        if plotly is not None:
            self._paths[PLOTLY] = plotly
        self._digests: dict[str, str] = {}
        self._files: dict[str, _File] = {}
        self._lock = threading.Lock()

    def url(self, name: str) -> str:
        """Return the address of a file; it changes with the content.

        Raises:
            KeyError: there is no such file (plotly's, where the package is not installed).
        """
        digest = self._digests.get(name)
        if digest is None:
            with self._paths[name].open("rb") as file:
                digest = self._digests[name] = hashlib.file_digest(file, "sha256").hexdigest()[:12]
        return f"/static/{digest}/{name}"

    def has(self, name: str) -> bool:
        """Say whether there is a file of that name."""
        return name in self._paths

    def response(self, digest: str, name: str, *, accepts_gzip: bool) -> Response | None:
        """Return the answer to a request for a file, or None if there is none of that name and digest."""
        if name not in self._paths or self.url(name).split("/")[2] != digest:
            return None
        file = self._file(name)
        headers = {"Cache-Control": f"public, max-age={KEEP_S}, immutable", "Vary": "Accept-Encoding"}
        if not accepts_gzip:
            return Response(gzip.decompress(file.compressed), media_type=file.media_type, headers=headers)
        headers["Content-Encoding"] = "gzip"
        return Response(file.compressed, media_type=file.media_type, headers=headers)

    def _file(self, name: str) -> _File:
        with self._lock:  # two phones at once must not compress five megabytes twice
            file = self._files.get(name)
            if file is None:
                path = self._paths[name]
                file = self._files[name] = _File(_compressed(path), TYPES[path.suffix])
            return file


def _compressed(path: Path) -> bytes:
    """Return a file gzipped, read in pieces so that the whole is never in memory uncompressed."""
    packer = zlib.compressobj(9, zlib.DEFLATED, zlib.MAX_WBITS | 16)
    packed = bytearray()
    with path.open("rb") as file:
        while chunk := file.read(CHUNK_BYTES):
            packed += packer.compress(chunk)
    packed += packer.flush()
    return bytes(packed)
