"""DICOM files made for tests: sound ones in every colour and packing, and broken ones."""

from __future__ import annotations

import io
import struct
from collections.abc import Iterator
from typing import Any

import numpy as np
from PIL import Image
from pydicom.dataset import FileDataset, FileMetaDataset
from pydicom.encaps import encapsulate
from pydicom.pixels.processing import convert_color_space
from pydicom.uid import (
    MPEG2MPML,
    UID,
    CTImageStorage,
    DeflatedExplicitVRLittleEndian,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
    JPEG2000Lossless,
    JPEGBaseline8Bit,
    JPEGLosslessSV1,
    OphthalmicPhotography8BitImageStorage,
    RLELossless,
)

from tests.rendering.broken_images import archive, pixels, saved

NAME = "Doe^Jane"

PACKINGS: dict[str, tuple[UID, str]] = {
    "implicit": (ImplicitVRLittleEndian, "RGB"),
    "explicit": (ExplicitVRLittleEndian, "RGB"),
    "big endian": (ExplicitVRBigEndian, "RGB"),
    "planes apart": (ExplicitVRLittleEndian, "RGB planes"),
    "full luminance and chrominance": (ExplicitVRLittleEndian, "YBR_FULL"),
    "grey": (ExplicitVRLittleEndian, "MONOCHROME2"),
    "grey, turned over": (ExplicitVRLittleEndian, "MONOCHROME1"),
    "palette": (ExplicitVRLittleEndian, "PALETTE COLOR"),
    "run lengths": (RLELossless, "RGB"),
    "JPEG": (JPEGBaseline8Bit, "YBR_FULL_422"),
    "JPEG 2000": (JPEG2000Lossless, "YBR_RCT"),
}


def made(packing: str = "explicit", image: Image.Image | None = None, **tags: Any) -> bytes:
    """Return a photograph as a DICOM file; further elements by keyword."""
    syntax, colours = PACKINGS[packing]
    picture = (image or pixels()).convert("RGB")
    array = np.asarray(picture)
    meta = FileMetaDataset()
    meta.TransferSyntaxUID = syntax
    meta.MediaStorageSOPClassUID = OphthalmicPhotography8BitImageStorage
    meta.MediaStorageSOPInstanceUID = UID("2.25.1")
    data = FileDataset(
        "",
        {},
        file_meta=meta,
        preamble=bytes(128),
        is_implicit_VR=syntax == ImplicitVRLittleEndian,
        is_little_endian=syntax != ExplicitVRBigEndian,
    )
    data.SOPClassUID = OphthalmicPhotography8BitImageStorage
    data.SOPInstanceUID = meta.MediaStorageSOPInstanceUID
    data.PatientName, data.PatientID = NAME, "4711"
    data.ImageLaterality = "L"
    data.Rows, data.Columns = array.shape[:2]
    data.BitsAllocated = data.BitsStored = 8
    data.HighBit, data.PixelRepresentation = 7, 0
    data.SamplesPerPixel = 3
    data.PlanarConfiguration = 0
    data.PhotometricInterpretation = colours.removesuffix(" planes")
    if colours.startswith("MONO"):
        array = np.asarray(picture.convert("L"))
        array = 255 - array if colours == "MONOCHROME1" else array
    elif colours == "PALETTE COLOR":
        indexed = picture.quantize(256)
        array = np.asarray(indexed)
        table = np.frombuffer(bytes(indexed.getpalette() or ()), np.uint8).reshape(-1, 3)
        for number, name in enumerate(("Red", "Green", "Blue")):
            levels = (table[:, number].astype("<u2") * 257).tobytes()
            setattr(data, f"{name}PaletteColorLookupTableDescriptor", [len(table), 0, 16])
            setattr(data, f"{name}PaletteColorLookupTableData", levels)
    elif colours == "YBR_FULL":
        array = convert_color_space(array, "RGB", "YBR_FULL")
    elif colours == "RGB planes":
        data.PlanarConfiguration = 1
        array = array.transpose(2, 0, 1)
    if array.ndim == 2:
        data.SamplesPerPixel = 1
        del data.PlanarConfiguration
    if syntax == RLELossless:
        data.PixelData = np.ascontiguousarray(array).tobytes()
        meta.TransferSyntaxUID = ExplicitVRLittleEndian
        data.compress(RLELossless, generate_instance_uid=False)
    elif syntax == JPEGBaseline8Bit:
        data.PixelData = encapsulate([saved("JPEG", picture, quality=95)])
    elif syntax == JPEG2000Lossless:
        data.PixelData = encapsulate([saved("JPEG2000", picture, no_jp2=True)])
    else:
        data.PixelData = np.ascontiguousarray(array).tobytes()
    for name, value in tags.items():
        if value is None:
            delattr(data, name)
        elif name == "TransferSyntaxUID":
            meta.TransferSyntaxUID = value
        else:
            setattr(data, name, value)
    buffer = io.BytesIO()
    data["PixelData"].VR = "OB"
    data.save_as(buffer, enforce_file_format=True)
    return buffer.getvalue()


def refused() -> Iterator[tuple[str, bytes, str]]:
    """Yield name, bytes and file name of DICOM files that must be refused."""
    sound = made()
    for step in range(1, 24):
        yield f"DICOM cut {step}", sound[: len(sound) * step // 24], "eye.dcm"
    for ending in (".jpg", ".png", ".html", ".exe"):
        yield f"DICOM called {ending}", sound, "eye" + ending
    yield "DICOM and an archive", sound + archive(), "eye.dcm"
    for start in (b"MZ", b"II*\0", b"%PDF-1.7", b"#!/bin/sh"):
        yield f"DICOM begins {start!r}", start.ljust(128, b"\0") + sound[128:], ""
    yield "DICOM mark alone", bytes(128) + b"DICM", ""
    wrong: dict[str, dict[str, Any]] = {
        "of a CT": {"SOPClassUID": CTImageStorage},
        "of nothing": {"SOPClassUID": None},
        "of 12 bits": {"BitsAllocated": 16, "BitsStored": 12},
        "of signed numbers": {"PixelRepresentation": 1},
        "of two frames": {"NumberOfFrames": 2},
        "of other colours": {"PhotometricInterpretation": "HSV"},
        "of one sample": {"SamplesPerPixel": 1},
        "of four samples": {"SamplesPerPixel": 4},
        "of no rows": {"Rows": 0},
        "of huge size": {"Rows": 65535, "Columns": 65535},
        "of more rows": {"Rows": 300},
        "without rows": {"Rows": None},
        "without colours": {"PhotometricInterpretation": None},
        "of a film": {"TransferSyntaxUID": MPEG2MPML},
        "of lossless JPEG": {"TransferSyntaxUID": JPEGLosslessSV1},
        "deflated": {"StudyDescription": str(DeflatedExplicitVRLittleEndian)},
        "of an unknown packing": {"TransferSyntaxUID": UID("1.2.3.4")},
    }
    for name, tags in wrong.items():
        try:
            yield f"DICOM {name}", made(**tags), ""
        except (ValueError, AttributeError, TypeError):
            yield f"DICOM {name}", renamed(sound, name), ""
    yield "DICOM too small", made(image=pixels(100)), ""
    yield "DICOM blank", made(image=Image.new("RGB", (300, 300), (9, 9, 9))), ""
    for packing in ("JPEG", "JPEG 2000"):
        yield f"DICOM {packing} of another size", made(packing, Rows=512, Columns=512), ""
        frame = made(packing)
        yield f"DICOM {packing} cut", frame[: len(frame) - 900], ""
    # Each pair of bytes unpacks to 128: a small file of a whole gigabyte.
    bomb = struct.pack("<16I", 3, 64, 70, 76, *[0] * 12) + b"\x81\x07" * 4_000_000
    data = made("run lengths")
    yield "DICOM run lengths without end", made("run lengths", PixelData=encapsulate([bomb])), ""
    yield "DICOM run lengths cut", data[: len(data) // 2], ""


def renamed(sound: bytes, name: str) -> bytes:
    """Return a file whose packing is named as none that there is."""
    assert "packing" in name or "film" in name or "lossless" in name, name
    return sound.replace(b"1.2.840.10008.1.2.1\0", b"1.2.840.10008.1.2.4.")
