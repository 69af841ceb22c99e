"""A corpus of broken, mislabelled and hostile image files, made from sound ones."""

from __future__ import annotations

import io
import struct
import zipfile
import zlib
from collections.abc import Iterator
from functools import cache
from typing import Any

import numpy as np
from PIL import Image, PngImagePlugin

FORMATS = ("JPEG", "PNG", "WEBP", "TIFF")
ENDING = {"JPEG": ".jpg", "PNG": ".png", "WEBP": ".webp", "TIFF": ".tif"}
SIDE = 256


def pixels(side: int = SIDE) -> Image.Image:
    """Return a round orange field with a bright disc and some grain."""
    rng = np.random.default_rng(7)
    y, x = np.mgrid[:side, :side] / side - 0.5
    field = np.hypot(x, y) < 0.48
    disc = np.hypot(x - 0.2, y) < 0.07
    grey = field * 150 + disc * 80 + rng.normal(0, 6, (side, side)) * field
    rgb = np.stack([grey, grey * 0.5, grey * 0.25], axis=-1)
    return Image.fromarray(rgb.clip(0, 255).astype(np.uint8))


def saved(kind: str, image: Image.Image | None = None, **options: Any) -> bytes:
    """Return an image as a file."""
    buffer = io.BytesIO()
    (image or pixels()).save(buffer, kind, **options)
    return buffer.getvalue()


@cache
def sound(kind: str) -> bytes:
    """Return a sound file of a kind."""
    return saved(kind, compression="tiff_lzw") if kind == "TIFF" else saved(kind)


def archive() -> bytes:
    """Return a ZIP archive with a page in it."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as file:
        file.writestr("page.html", "<script>alert(1)</script>")
    return buffer.getvalue()


def png_of_size(width: int, height: int) -> bytes:
    """Return a PNG that claims a size, with a few compressed zeros for pixels."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return (
            struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
        )

    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    body = zlib.compress(bytes(100_000))
    return (
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", body) + chunk(b"IEND", b"")
    )


def refused() -> Iterator[tuple[str, bytes, str]]:
    """Yield name, bytes and file name of what must be refused."""
    for kind in FORMATS:
        data = sound(kind)
        for step in range(24):
            yield f"{kind} cut {step}", data[: len(data) * step // 24], "eye" + ENDING[kind]
        for other in FORMATS:
            if other != kind:
                yield f"{kind} called {other}", data, "eye" + ENDING[other]
        for ending in (".gif", ".html", ".exe", ".dcm", ".svg"):
            yield f"{kind} called {ending}", data, "eye" + ending
        yield f"{kind} and an archive", data + archive(), "eye" + ENDING[kind]
        # The first bytes alone, before something else.
        for size in (4, 8, 12, 16):
            yield f"{kind} mark {size}", data[:size] + bytes(range(256)) * 8, ""
        yield f"{kind} too small", saved(kind, pixels(100)), ""
        yield f"{kind} blank", saved(kind, Image.new("RGB", (300, 300), (9, 9, 9))), ""
        yield f"{kind} too long", saved(kind, Image.new("RGB", (9000, 300))), ""
    for kind in ("JPEG", "PNG", "WEBP"):
        for tail in (b"<script>alert(1)</script>", b"%PDF-1.7", b"MZ\x90", sound("PNG")):
            yield f"{kind} with {tail[:6]!r}", sound(kind) + tail, ""
    frames = [pixels(), pixels().rotate(90)]
    for kind in ("PNG", "WEBP", "TIFF"):
        yield f"{kind} twice", saved(kind, frames[0], save_all=True, append_images=frames[1:]), ""
    for side in (8193, 20_000, 60_000, 2_000_000_000):
        yield f"PNG bomb {side}", png_of_size(side, side), ""
    yield "PNG bomb, flat", png_of_size(6500, 6500), ""
    yield "PNG of no size", png_of_size(0, 0), ""
    info = PngImagePlugin.PngInfo()
    info.add_text("x", "0" * 90_000_000, zip=True)
    yield "PNG text bomb", saved("PNG", pnginfo=info), ""
    yield "PNG of 16 bits", saved("PNG", Image.new("I;16", (300, 300))), ""
    yield "TIFF of floats", saved("TIFF", Image.new("F", (300, 300))), ""
    frame = sound("JPEG").find(b"\xff\xc0") + 5
    for size in (0, 1, 9000, 65_535):
        claim = bytearray(sound("JPEG"))
        struct.pack_into(">HH", claim, frame, size, size)
        yield f"JPEG of size {size}", bytes(claim), ""
    for kind in ("GIF", "BMP", "ICO", "PPM", "TGA"):
        yield f"{kind}", saved(kind), "eye." + kind.lower()
    for name, data_of in {
        "nothing": b"",
        "zeros": bytes(4096),
        "text": b"This is an eye." * 99,
        "page": b"<!doctype html><script>alert(1)</script>",
        "drawing": b'<svg xmlns="http://www.w3.org/2000/svg" onload="alert(1)"/>',
        "document": b"%PDF-1.7\n%%EOF",
        "archive": archive(),
        "program": b"\x7fELF" + bytes(200),
        "too heavy": b"\xff\xd8\xff" + bytes(24 * 1024 * 1024),
    }.items():
        yield name, data_of, ""
    rng = np.random.default_rng(11)
    for number in range(20):
        yield f"noise {number}", rng.bytes(2000), ""


def bruised() -> Iterator[tuple[str, bytes]]:
    """Yield files with some bytes changed: they may still be readable, or not."""
    for kind in FORMATS:
        for seed in range(24):
            rng = np.random.default_rng(seed)
            data = bytearray(sound(kind))
            for at in rng.integers(8, len(data), 1 + seed):
                data[at] = rng.integers(256)
            yield f"{kind} bruised {seed}", bytes(data)
