"""A QR picture (ISO/IEC 18004) of an address, as geometry for a template's SVG."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import groupby

import segno

QUIET_ZONE = 4
"""Light modules around the picture, as the standard asks."""


@dataclass(frozen=True)
class QrPicture:
    """Dark modules as path data, one unit a module, the quiet zone included in ``size``."""

    size: int
    path: str


def qr_picture(text: str) -> QrPicture:
    """Return the picture of a text, with error correction of level M or better."""
    rows = segno.make(text, micro=False, error="m").matrix
    parts = []
    for y, row in enumerate(rows):
        x = 0
        for dark, run in groupby(row):
            width = len(list(run))
            if dark:
                parts.append(f"M{x + QUIET_ZONE} {y + QUIET_ZONE}h{width}v1h-{width}z")
            x += width
    return QrPicture(len(rows) + 2 * QUIET_ZONE, "".join(parts))
