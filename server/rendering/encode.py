"""Pictures as files: small ones for the browser, exact ones for the command line.

Both formats are written from bare pixels, so no metadata can travel along.
"""

from __future__ import annotations

import hashlib
import io
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from server.errors import BadInput
from server.rendering.eye import Mask, Picture

WEBP_QUALITY = 92
"""Chosen by looking at drusen and macular twigs at 1024 px, beside the original.

At 76 (20 kB) fine vessels break up and drusen turn pink, at 84 (28 kB) the
finest twigs and the grain go; at 92 (about 52 kB) no difference is left at
twice the displayed size.
"""

WEBP_EFFORT = 4
"""Above 4 the file shrinks by a few per cent and the time doubles."""


@dataclass(frozen=True)
class EncodedPicture:
    """A finished file with the SHA-256 of its bytes, which names it for ever."""

    data: bytes
    content_hash: str
    media_type: str

    @classmethod
    def of(cls, data: bytes, media_type: str) -> EncodedPicture:
        """Hash the bytes and keep both."""
        return cls(data, content_hash(data), media_type)


def content_hash(data: bytes) -> str:
    """SHA-256 of the bytes, 64 hexadecimal digits."""
    return hashlib.sha256(data).hexdigest()


def encode_webp(picture: Picture, quality: int = WEBP_QUALITY) -> EncodedPicture:
    """Encode a picture as lossy WebP.

    Parameters
    ----------
    picture : uint8 sRGB, shape (height, width, 3).
    quality : 1 to 100.
    """
    if not 1 <= quality <= 100:
        raise BadInput(f"quality {quality} is outside 1 to 100")
    return EncodedPicture.of(
        # WebP halves the colour's resolution; the careful conversion keeps small
        # yellow drusen yellow on a red ground.
        _saved(_image(picture), "WEBP", quality=quality, method=WEBP_EFFORT, use_sharp_yuv=True),
        "image/webp",
    )


def encode_png(picture: Picture | Mask) -> bytes:
    """Encode a picture or a mask without loss; a mask becomes black and white."""
    return _saved(_image(picture), "PNG")


def decode(data: bytes) -> Picture:
    """Return the pixels of an encoded picture, uint8 sRGB, shape (height, width, 3)."""
    with Image.open(io.BytesIO(data)) as image:
        return np.asarray(image.convert("RGB"))


def _saved(image: Image.Image, kind: str, **options: int) -> bytes:
    buffer = io.BytesIO()
    image.save(buffer, kind, **options)
    return buffer.getvalue()


def _image(pixels: NDArray[np.uint8] | Mask) -> Image.Image:
    if pixels.dtype == np.bool_ and pixels.ndim == 2:
        return Image.fromarray(pixels)
    if pixels.dtype != np.uint8 or pixels.ndim != 3 or pixels.shape[2] != 3:
        raise BadInput(
            f"a picture is uint8 of shape (height, width, 3) and a mask is bool of shape "
            f"(height, width); this is {pixels.dtype} of shape {pixels.shape}"
        )
    return Image.fromarray(pixels)
