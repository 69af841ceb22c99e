"""Outlines back to masks: what is outlined on the page is what counts as the place."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from PIL import Image, ImageDraw

from server.rendering.eye import Mask
from server.rendering.outlines import PICTURE_UNITS, Region


def filled(regions: Iterable[Region], size_px: int) -> Mask:
    """Return the mask of some outlines, bool of shape (size_px, size_px), holes left out."""
    image = Image.new("1", (size_px, size_px))
    pen = ImageDraw.Draw(image)
    scale = size_px / PICTURE_UNITS
    for region in regions:
        pen.polygon([(x * scale, y * scale) for x, y in region.exterior], fill=1)
        for hole in region.holes:
            pen.polygon([(x * scale, y * scale) for x, y in hole], fill=0)
    return np.asarray(image)
