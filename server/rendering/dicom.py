"""An ophthalmic photograph in a DICOM file: its pixels, its side, and what it may give away.

Only the frame is decoded (by pydicom, and by Pillow for JPEG and JPEG 2000);
every other element is read no further than to say what it tells of a patient.
Source of tags and terms: DICOM PS3.3 (C.7.6.3 Image Pixel, C.7.6.1 General
Image, A.41 Ophthalmic Photography) and PS3.5 (transfer syntaxes).
"""

from __future__ import annotations

import io
import logging
import warnings
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import pydicom
from PIL import Image
from pydicom.dataset import FileDataset
from pydicom.encaps import get_frame
from pydicom.pixels.processing import apply_color_lut
from pydicom.pixels.utils import pixel_array
from pydicom.uid import (
    JPEG2000,
    UID,
    DeflatedExplicitVRLittleEndian,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
    JPEG2000Lossless,
    JPEGBaseline8Bit,
    OphthalmicPhotography8BitImageStorage,
    OphthalmicPhotography16BitImageStorage,
    RLELossless,
    SecondaryCaptureImageStorage,
    VLPhotographicImageStorage,
    WideFieldOphthalmicPhotography3DCoordinatesImageStorage,
    WideFieldOphthalmicPhotographyStereographicProjectionImageStorage,
)

from server.errors import BadInput

# What is wrong with a foreign file is told to whoever sent it, and is no fault of this program.
logging.getLogger("pydicom").setLevel(logging.CRITICAL)

MARK: Final = b"DICM"
PREAMBLE: Final = 128

PHOTOGRAPHS: Final = frozenset(
    {
        OphthalmicPhotography8BitImageStorage,
        OphthalmicPhotography16BitImageStorage,
        WideFieldOphthalmicPhotographyStereographicProjectionImageStorage,
        WideFieldOphthalmicPhotography3DCoordinatesImageStorage,
        VLPhotographicImageStorage,
        SecondaryCaptureImageStorage,
    }
)
"""Kinds of object that hold a colour photograph; older fundus cameras send secondary captures."""

UNPACKED: Final = frozenset({ImplicitVRLittleEndian, ExplicitVRLittleEndian, ExplicitVRBigEndian})
CODED: Final = {JPEGBaseline8Bit: "JPEG", JPEG2000Lossless: "JPEG2000", JPEG2000: "JPEG2000"}
"""Transfer syntaxes whose frames Pillow decodes, and as what."""

COLOURS: Final = frozenset(
    {
        *("RGB", "YBR_FULL", "YBR_FULL_422", "YBR_ICT", "YBR_RCT"),
        *("MONOCHROME1", "MONOCHROME2", "PALETTE COLOR"),
    }
)

IDENTIFYING: Final = (
    "PatientName",
    "PatientID",
    "OtherPatientIDs",
    "OtherPatientNames",
    "PatientBirthDate",
    "PatientAddress",
    "PatientTelephoneNumbers",
    "AccessionNumber",
    "InstitutionName",
    "ReferringPhysicianName",
    "OperatorsName",
    "StudyDate",
    "AcquisitionDateTime",
)
"""Elements that tell who was photographed, where or when (after PS3.15, table E.1-1)."""


@dataclass(frozen=True)
class DicomPhotograph:
    """What is taken of a DICOM file.

    Parameters
    ----------
    image : its frame, eight bits a channel.
    side : of the eye, where the file says it.
    burnt_in : the file says that words are part of the picture.
    named : the file told who, where or when; nothing of it is kept.
    """

    image: Image.Image
    side: Literal["left", "right"] | None
    burnt_in: bool
    named: bool


def is_dicom(data: bytes) -> bool:
    """Whether a file says that it is DICOM (PS3.10, 7.1)."""
    return data[PREAMBLE : PREAMBLE + len(MARK)] == MARK


def read_dicom(data: bytes, largest_side: int, most_pixels: int) -> DicomPhotograph:
    """Return the photograph in a file that `is_dicom`.

    Raises
    ------
    BadInput : it holds something else than one colour photograph, or is damaged.
    """
    if data[:PREAMBLE].strip(b"\0"):
        raise BadInput(
            "the file is DICOM and, by its first bytes, something else too: export it again"
        )
    # Unpacked by zlib at once and without a limit, before anything could be looked at.
    if DeflatedExplicitVRLittleEndian.encode() in data:
        raise _packed("deflated")
    with warnings.catch_warnings():
        # Values that break DICOM's own rules are common, and none of them is kept.
        warnings.simplefilter("ignore")
        found = pydicom.dcmread(io.BytesIO(data), force=False)
        _check(found, largest_side, most_pixels)
        image = Image.fromarray(_pixels(found))
        return DicomPhotograph(
            image,
            _side(found),
            str(found.get("BurnedInAnnotation", "")).strip().upper() == "YES",
            any(str(found.get(name, "") or "").strip() for name in IDENTIFYING),
        )


def _check(found: FileDataset, largest_side: int, most_pixels: int) -> None:
    """Refuse what is no single photograph of eight bits, before its pixels are touched."""
    if found.get("SOPClassUID") not in PHOTOGRAPHS:
        kind = UID(str(found.get("SOPClassUID", ""))).name
        raise BadInput(f"the DICOM file is no colour photograph ({kind[:60] or 'it says no kind'})")
    if "PixelData" not in found:
        raise BadInput("the DICOM file holds no picture: export it with its pixels")
    if int(found.get("NumberOfFrames", 1) or 1) != 1:
        raise BadInput("the DICOM file holds several pictures: export one of them alone")
    if (found.BitsAllocated, found.get("PixelRepresentation", 0)) != (8, 0) or found.BitsStored > 8:
        raise BadInput("the DICOM file has more than eight bits a channel: export it with eight")
    colours = str(found.PhotometricInterpretation)
    if colours not in COLOURS:
        raise BadInput(f"the DICOM file’s colours are {colours[:20]}: export it as RGB")
    rows, columns = int(found.Rows), int(found.Columns)
    if max(rows, columns) > largest_side or rows * columns > most_pixels or min(rows, columns) < 1:
        raise BadInput(
            f"the picture has {columns} by {rows} pixels; at most {largest_side} a side and "
            f"{most_pixels // 1_000_000} million in all are taken"
        )
    if int(found.SamplesPerPixel) != (1 if colours[:3] in ("MON", "PAL") else 3):
        raise BadInput("the DICOM file’s colours do not fit its pixels: export it again")
    _check_frame(found, rows, columns)


def _check_frame(found: FileDataset, rows: int, columns: int) -> None:
    """Refuse a frame that would unpack to something else than the file says."""
    syntax = found.file_meta.TransferSyntaxUID
    whole = rows * columns * int(found.SamplesPerPixel)
    if syntax in UNPACKED:
        if str(found.PhotometricInterpretation) == "YBR_FULL_422":
            whole = rows * columns * 2
        if len(found.PixelData) < whole:
            raise BadInput("the DICOM file ends before its picture does: send it again")
        return
    if syntax == RLELossless:
        frame = get_frame(found.PixelData, 0, number_of_frames=1)
        if _run_length(frame, 2 * whole + 4096) > 2 * whole + 4096:
            raise BadInput("the DICOM file unpacks to more than its picture: export it again")
        return
    if syntax not in CODED:
        raise _packed(UID(syntax).name)
    frame = get_frame(found.PixelData, 0, number_of_frames=1)
    with Image.open(io.BytesIO(frame), formats=(CODED[syntax],)) as inner:
        if inner.size != (columns, rows):
            raise BadInput(
                "the DICOM file’s picture is of another size than it says: export it again"
            )


def _run_length(frame: bytes, most: int) -> int:
    """Return how many bytes an RLE frame unpacks to, counted no further than needed (PS3.5 G.3)."""
    total, at = 0, 64
    while at < len(frame) and total <= most:
        count = frame[at]
        if count < 128:
            total += count + 1
            at += count + 2
        elif count > 128:
            total += 257 - count
            at += 2
        else:
            at += 1
    return total


def _pixels(found: FileDataset) -> np.ndarray:
    pixels = pixel_array(found)
    colours = str(found.PhotometricInterpretation)
    if colours == "PALETTE COLOR":
        pixels = apply_color_lut(pixels, found)
        if pixels.dtype == np.uint16:
            pixels = (pixels >> 8).astype(np.uint8)
    elif colours == "MONOCHROME1":
        # In it the least value is shown white.
        pixels = (2 ** int(found.BitsStored) - 1) - pixels
    return np.ascontiguousarray(pixels.astype(np.uint8))


def _side(found: FileDataset) -> Literal["left", "right"] | None:
    """Return the side by Image Laterality (0020,0062), else by Laterality (0020,0060)."""
    told = str(found.get("ImageLaterality", "") or found.get("Laterality", "") or "").strip()
    if told == "R":
        return "right"
    return "left" if told == "L" else None


def _packed(how: str) -> BadInput:
    return BadInput(
        f"the DICOM file is packed in a way that is not read ({how[:60]}): export it unpacked, or "
        "as JPEG or JPEG 2000"
    )
