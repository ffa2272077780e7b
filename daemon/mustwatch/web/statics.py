"""Files that never change under their address: style, scripts, and plotly's JavaScript from the installed package.

Each is served compressed, under an address that holds the digest of its content, to be kept for a year: the shed has no
internet and a slow radio, and nothing is fetched twice. Small files are kept compressed in memory; plotly's five
megabytes are compressed anew for each device that has not been here before, piece by piece: a second of a Pi's time
once a year costs less than a megabyte and a half held for ever.
"""

import hashlib
import zlib
from collections.abc import Iterator
from importlib.util import find_spec
from pathlib import Path

from starlette.responses import FileResponse, Response, StreamingResponse

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
CHUNK_BYTES = 128 * 1024
SMALL_BYTES = 256 * 1024
"""Files up to this size are kept compressed in memory."""


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
        self._small: dict[str, bytes] = {}

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
        path = self._paths[name]
        media_type = TYPES[path.suffix]
        headers = {"Cache-Control": f"public, max-age={KEEP_S}, immutable", "Vary": "Accept-Encoding"}
        if not accepts_gzip:
            return FileResponse(path, media_type=media_type, headers=headers)
        headers["Content-Encoding"] = "gzip"
        if path.stat().st_size > SMALL_BYTES:
            return StreamingResponse(_packed(path), media_type=media_type, headers=headers)
        packed = self._small.get(name)
        if packed is None:
            packed = self._small[name] = b"".join(_packed(path))
        return Response(packed, media_type=media_type, headers=headers)


def _packed(path: Path) -> Iterator[bytes]:
    """Yield a file gzipped, in pieces (RFC 1952)."""
    packer = zlib.compressobj(9, zlib.DEFLATED, zlib.MAX_WBITS | 16)
    with path.open("rb") as file:
        while chunk := file.read(CHUNK_BYTES):
            if piece := packer.compress(chunk):
                yield piece
    yield packer.flush()
