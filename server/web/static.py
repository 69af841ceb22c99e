"""Static files: read once, named by content, kept by browsers for good.

All files together get one digest, which is a folder in their address
(``/static/3f9c2a1b7d/css/parts.css``). A module's relative import therefore
always meets the file it was written with, and a page from before an upgrade
still finds a file, though one that must be asked for again.
"""

from __future__ import annotations

import gzip
import hashlib
from dataclasses import dataclass
from pathlib import Path

from starlette.datastructures import Headers
from starlette.responses import Response

TYPES = {
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
    ".webp": "image/webp",
    ".png": "image/png",
    ".webmanifest": "application/manifest+json",
}
"""What is served; any other file in the folder stays private."""

COMPRESSED = {".css", ".js", ".svg", ".webmanifest"}

STYLE_SHEET = "site.css"
LAYERS = (
    *("reset", "tokens", "layout", "parts", "pages", "gallery", "library", "bedside", "account"),
    *("cohorts", "checkpoints", "authoring"),
)
"""Style sheets of ``css/`` in the order in which they override one another."""

FOREVER = "public, max-age=31536000, immutable"
ASK_AGAIN = "no-cache"


@dataclass(frozen=True)
class Asset:
    """One file, as it is sent."""

    content: bytes
    compressed: bytes | None
    media_type: str


class Assets:
    """The static files of one start of the program.

    Parameters
    ----------
    folder : the checkout's ``static/``.
    """

    def __init__(self, folder: Path) -> None:
        contents = {
            path.relative_to(folder).as_posix(): path.read_bytes()
            for path in sorted(folder.rglob("*"))
            if path.is_file() and path.suffix in TYPES
        }
        # One request instead of one per layer: a phone on a poor line waits for each.
        contents[STYLE_SHEET] = style_sheet(folder)
        self.digest = _digest(contents)
        self.files = {name: _asset(name, content) for name, content in contents.items()}

    def url(self, name: str) -> str:
        """The address of a file; a name that does not exist is an error of ours."""
        if name not in self.files:
            raise KeyError(f"no static file {name!r}")
        return f"/static/{self.digest}/{name}"

    def response(self, digest: str, name: str, headers: Headers) -> Response | None:
        """The answer to a request for a file, or None when there is no such file."""
        asset = self.files.get(name)
        if asset is None:
            return None
        sent = {
            "Cache-Control": FOREVER if digest == self.digest else ASK_AGAIN,
            "Vary": "Accept-Encoding",
        }
        if asset.compressed is not None and "gzip" in headers.get("accept-encoding", ""):
            sent["Content-Encoding"] = "gzip"
            return Response(asset.compressed, media_type=asset.media_type, headers=sent)
        return Response(asset.content, media_type=asset.media_type, headers=sent)


def style_sheet(folder: Path) -> bytes:
    """Join the style sheets: the vendored reset and ours, each in its own cascade layer."""
    reset = (folder / "vendor" / "modern-normalize-3.css").read_text()
    parts = [f"@layer {', '.join(LAYERS)};", f"@layer reset {{\n{reset}\n}}"]
    parts += [(folder / "css" / f"{layer}.css").read_text() for layer in LAYERS[1:]]
    return "\n".join(parts).encode()


def _digest(contents: dict[str, bytes]) -> str:
    digest = hashlib.sha256()
    for name in sorted(contents):
        digest.update(name.encode() + b"\0" + contents[name] + b"\0")
    return digest.hexdigest()[:12]


def _asset(name: str, content: bytes) -> Asset:
    suffix = Path(name).suffix
    # mtime=0 keeps the bytes the same from one start to the next.
    compressed = gzip.compress(content, 9, mtime=0) if suffix in COMPRESSED else None
    return Asset(content, compressed, TYPES[suffix])
