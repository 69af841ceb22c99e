"""Whether two photographs show the same eye in the same way, however they were saved.

Fundi resemble one another at a glance: an orange field with a disc in it. What
differs is the vessels, so the hash is taken of what stands out of its
surroundings: for each cell of a grid, whether it is brighter than the ground
about it. Saving anew, resizing and another brightness leave most of it as it is.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy import ndimage

from server.rendering.eye import Picture

GRID: Final = 32
BITS: Final = GRID * GRID
ALIKE: Final = 0.25
"""Share of cells that may differ. Measured on eight drawn eyes and one photograph: the same picture
at half the size, as a poor JPEG, brighter or turned by a degree differed in at most 0.08 of them,
turned by three degrees or cropped by 2 % in 0.18, and two eyes in at least 0.37."""

INNER: Final = 0.72
"""Part of the picture that is compared: within the round field, whatever its edge."""


def likeness_hash(picture: Picture) -> str:
    """Return the hash of a picture as 256 hexadecimal digits.

    Parameters
    ----------
    picture : uint8 sRGB, shape (side, side, 3).
    """
    return _hex(_cells(picture))


def mirrored_hash(picture: Picture) -> str:
    """Return the hash that the picture's mirror image has."""
    return likeness_hash(np.ascontiguousarray(picture[:, ::-1]))


def difference(one: str, other: str) -> float:
    """Return the share of cells in which two hashes differ, 0 to 1."""
    return (int(one, 16) ^ int(other, 16)).bit_count() / BITS


def _cells(picture: Picture) -> NDArray[np.bool_]:
    side = picture.shape[0]
    margin = round(side * (1 - INNER) / 2)
    inner = Image.fromarray(picture[margin : side - margin, margin : side - margin])
    # Vessels stand out most in green light.
    green = inner.getchannel("G").resize((4 * GRID, 4 * GRID), Image.Resampling.BOX)
    level = np.asarray(green, np.float32)
    detail = ndimage.gaussian_filter(level, 2.0) - ndimage.gaussian_filter(level, 10.0)
    cells = detail.reshape(GRID, 4, GRID, 4).mean(axis=(1, 3))
    above: NDArray[np.bool_] = cells > np.median(cells)
    return above


def _hex(cells: NDArray[np.bool_]) -> str:
    return np.packbits(cells).tobytes().hex()
