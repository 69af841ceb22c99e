"""The door through which a photograph comes in: foreign bytes to clean pixels, or a reason why not.

Whatever is in the file beside its pixels stays outside: the pixels are decoded
once, turned upright, and only they are handed on, to be encoded anew. A file
that is more than one picture, more than a picture, not what its name says, cut
short, or larger than a fundus photograph has reason to be is refused.
"""

from __future__ import annotations

import io
import struct
import warnings
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import PurePath
from typing import Final, Literal

import numpy as np
from PIL import Image, ImageOps

from server.errors import BadInput
from server.rendering.dicom import DicomPhotograph, is_dicom, read_dicom
from server.rendering.eye import Picture

LARGEST_FILE: Final = 24 * 1024 * 1024
"""Bytes; an uncompressed photograph of eight million pixels."""
LARGEST_SIDE: Final = 8192
MOST_PIXELS: Final = 36_000_000
"""A camera of 36 million pixels, decoded, takes about 110 MB while it is made smaller."""
SMALLEST_SIDE: Final = 256
"""Below this no fine vessel is left to be seen."""
LEAST_CONTRAST: Final = 4.0
"""Standard deviation in steps of 0 to 255; a blank or black frame stays below."""

ENDINGS: Final[Mapping[str, tuple[str, ...]]] = {
    "JPEG": (".jpg", ".jpeg", ".jpe"),
    "PNG": (".png",),
    "WEBP": (".webp",),
    "TIFF": (".tif", ".tiff"),
    "DICOM": (".dcm", ".dicom", ".dic", ".img"),
}
"""What is accepted, and how such files are called."""

MODES: Final = frozenset({"RGB", "RGBA", "L", "LA", "P", "CMYK", "YCbCr"})
"""Eight bits a channel; deeper pictures would need a choice of brightness that is not ours."""

_PNG_START: Final = b"\x89PNG\r\n\x1a\n"
_ARCHIVE_END: Final = b"PK\x05\x06"
_ARCHIVE_TAIL: Final = 22 + 65535


@dataclass(frozen=True)
class CleanPhotograph:
    """A photograph as bare pixels.

    Parameters
    ----------
    picture : uint8 sRGB, shape (side, side, 3): the whole photograph on black.
    came_as : the format of the file, a key of `ENDINGS`.
    side : of the eye, where a DICOM file says it.
    burnt_in : a DICOM file says that words are part of the picture.
    named : a DICOM file told who was photographed, where or when; nothing of it is kept.
    """

    picture: Picture
    came_as: str
    side: Literal["left", "right"] | None = None
    burnt_in: bool = False
    named: bool = False


def clean_photograph(data: bytes, side_px: int, name: str = "") -> CleanPhotograph:
    """Return the pixels of an uploaded photograph, upright, square and at one size.

    Parameters
    ----------
    data : the file as it came.
    side_px : width and height of the result.
    name : what the file was called; its ending must fit what it holds.

    Raises
    ------
    BadInput : the file is refused; the message says why and what would be taken.
    """
    if not data:
        raise BadInput("the file is empty: choose a photograph")
    if len(data) > LARGEST_FILE:
        raise BadInput(
            f"the file has {len(data) / 1e6:.0f} MB; at most {LARGEST_FILE / 1e6:.0f} MB are "
            "taken: save it smaller or as JPEG"
        )
    kind = _kind(data)
    ending = PurePath(name).suffix.lower()
    # DICOM files are often called by a number with dots.
    numbered = kind == "DICOM" and ending[1:].isdigit()
    if ending and ending not in ENDINGS[kind] and not numbered:
        raise BadInput(f"the file is called {ending} but holds {kind}: name it as what it is")
    _ENDS[kind](data)
    told = _of_dicom(data) if kind == "DICOM" else None
    image = _decoded(data, kind) if told is None else _on_black(told.image)
    pixels = np.asarray(_squared(image, side_px))
    if pixels.std() < LEAST_CONTRAST:
        raise BadInput("the picture is blank: nothing is to be seen on it")
    if told is None:
        return CleanPhotograph(pixels, kind)
    return CleanPhotograph(pixels, kind, told.side, told.burnt_in, told.named)


def _kind(data: bytes) -> str:
    if data.startswith(b"\xff\xd8\xff"):
        return "JPEG"
    if data.startswith(_PNG_START):
        return "PNG"
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return "WEBP"
    if data[:4] in (b"II*\0", b"MM\0*"):
        return "TIFF"
    if is_dicom(data):
        return "DICOM"
    raise BadInput("this is no photograph of a kind that is taken: JPEG, PNG, WebP, TIFF or DICOM")


def _of_dicom(data: bytes) -> DicomPhotograph:
    try:
        found = read_dicom(data, LARGEST_SIDE, MOST_PIXELS)
    except BadInput:
        raise
    except MemoryError as problem:
        raise BadInput("the picture is too large to be decoded here") from problem
    except Exception as problem:
        # As below: foreign bytes fail in every way there is.
        raise _damaged("DICOM") from problem
    _check_size(*found.image.size)
    return found


def _decoded(data: bytes, kind: str) -> Image.Image:
    """Decode the one picture in a file of a known kind, after a look at its size."""
    try:
        with warnings.catch_warnings():
            # What a decoder only warns of is refused: a file need not be mended for us.
            warnings.simplefilter("error")
            image = Image.open(io.BytesIO(data), formats=(kind,))
            _check_size(*image.size)
            if getattr(image, "n_frames", 1) != 1:
                raise BadInput("the file holds several pictures: save one of them alone")
            if image.mode not in MODES:
                raise BadInput(
                    f"the picture's pixels are of the kind {image.mode}: save it with eight "
                    "bits for each of red, green and blue"
                )
            image.load()
            upright = ImageOps.exif_transpose(image)
            return _on_black(upright)
    except BadInput:
        raise
    except MemoryError as problem:
        raise BadInput("the picture is too large to be decoded here") from problem
    except Exception as problem:
        # Decoders of foreign bytes fail in every way there is; none of them is ours to mend.
        raise _damaged(kind) from problem


def _damaged(kind: str) -> BadInput:
    return BadInput(f"the file is damaged or cut short and cannot be read as {kind}: save it again")


def _check_size(width: int, height: int) -> None:
    if max(width, height) > LARGEST_SIDE or width * height > MOST_PIXELS:
        raise BadInput(
            f"the picture has {width} by {height} pixels; at most {LARGEST_SIDE} a side and "
            f"{MOST_PIXELS // 1_000_000} million in all are taken"
        )
    if min(width, height) < SMALLEST_SIDE:
        raise BadInput(
            f"the picture has {width} by {height} pixels; below {SMALLEST_SIDE} a side no fine "
            "vessel is left to be seen"
        )


def _on_black(image: Image.Image) -> Image.Image:
    if image.mode in ("RGBA", "LA") or "transparency" in image.info:
        clear = image.convert("RGBA")
        ground = Image.new("RGBA", clear.size, (0, 0, 0, 255))
        return Image.alpha_composite(ground, clear).convert("RGB")
    return image.convert("RGB")


def _squared(image: Image.Image, side_px: int) -> Image.Image:
    return ImageOps.pad(image, (side_px, side_px), Image.Resampling.LANCZOS, color=(0, 0, 0))


def _refuse_rest(data: bytes, end: int, *, padding: int = 0) -> None:
    """Refuse what follows the end of a picture: it is there for another program to read."""
    if len(data) - end > padding and data[end:].strip(b"\0"):
        raise BadInput(
            f"{len(data) - end} bytes of something else follow the picture: save it again "
            "without them"
        )


def _cut_short(kind: str) -> BadInput:
    return BadInput(f"the file ends before its picture does ({kind}): save or send it again")


def _end_of_png(data: bytes) -> None:
    at = len(_PNG_START)
    while at + 12 <= len(data):
        (length,) = struct.unpack_from(">I", data, at)
        kind = data[at + 4 : at + 8]
        at += 12 + length
        if kind == b"IEND":
            if at > len(data):
                break
            return _refuse_rest(data, at)
    raise _cut_short("PNG")


def _end_of_webp(data: bytes) -> None:
    (length,) = struct.unpack_from("<I", data, 4)
    end = 8 + length
    if end > len(data):
        raise _cut_short("WebP")
    _refuse_rest(data, end, padding=1)


def _end_of_jpeg(data: bytes) -> None:
    """Walk the segments; within a scan look for the next marker that is not part of it."""
    at = 2
    while True:
        at = data.find(b"\xff", at)
        if at < 0 or at + 1 >= len(data):
            raise _cut_short("JPEG")
        marker = data[at + 1]
        if marker == 0xD9:
            return _refuse_rest(data, at + 2)
        # A stuffed or repeated byte, a restart: the scan goes on.
        if marker in (0x00, 0x01, 0xFF) or 0xD0 <= marker <= 0xD8:
            at += 1 if marker == 0xFF else 2
            continue
        if at + 4 > len(data):
            raise _cut_short("JPEG")
        at += 2 + struct.unpack_from(">H", data, at + 2)[0]


def _without_end(data: bytes) -> None:
    """TIFF and DICOM may lie in any order and have no end; an archive's own gives it away."""
    if _ARCHIVE_END in data[-_ARCHIVE_TAIL:]:
        raise BadInput("the file is an archive as well as a picture: save the picture alone")


_ENDS: Final[Mapping[str, Callable[[bytes], None]]] = {
    "JPEG": _end_of_jpeg,
    "PNG": _end_of_png,
    "WEBP": _end_of_webp,
    "TIFF": _without_end,
    "DICOM": _without_end,
}
