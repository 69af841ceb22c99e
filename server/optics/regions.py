"""The fundus as a grid of small cells, each belonging to a region of the examination.

Cells are half a degree wide, in hundredths of a degree from the fovea as the picture shows
it (x to the right, y down). Everything that coverage needs is whole numbers, so that a
browser finds the same.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from server.errors import BadInput

REGIONS: tuple[str, ...] = (
    "outside",
    "disc",
    "superotemporal",
    "inferotemporal",
    "superonasal",
    "inferonasal",
    "periphery",
    "macula",
)
"""Regions by their code: in the order of examination, after 'outside' the picture."""

VESSEL_QUADRANTS: tuple[str, ...] = REGIONS[2:6]

RANK: dict[str, int] = {
    "disc": 0,
    **dict.fromkeys(VESSEL_QUADRANTS, 1),
    "periphery": 2,
    "macula": 3,
}
"""When a region's turn is: disc, vessels by quadrant in any order, periphery, macula last
(common practice, no source)."""

STEP = 50
"""Width of a cell, hundredths of a degree."""

FOLLOWED_DEG = 15.0
"""How far from the disc a quadrant's vessels are to be followed: two and a half disc
diameters (common practice, no source)."""

VESSEL_SHARE = 0.12
"""A cell counts for a quadrant's vessels when they fill this share of it."""

PERIPHERY_FROM_FOVEA_DEG, PERIPHERY_FROM_DISC_DEG = 22.0, 17.0
"""The mid-periphery begins just beyond the arcades (Straatsma and others; value from memory)."""

Mask = NDArray[np.bool_]
Whole = NDArray[np.int32]


@dataclass(frozen=True, eq=False)
class Ground:
    """The cells of one picture.

    Parameters
    ----------
    left, top : of the picture, hundredths of a degree.
    size : its width, hundredths of a degree, a multiple of ``STEP``.
    labels : region code of each cell, int32 of shape (n, n), rows down.
    counted : 1 where a cell counts for its region's share, else 0, same shape.
    """

    left: int
    top: int
    size: int
    labels: Whole
    counted: Whole

    @property
    def n(self) -> int:
        """Cells across."""
        return self.size // STEP

    @property
    def middles(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """X of each column's and y of each row's middle, hundredths of a degree."""
        along = np.arange(self.n, dtype=np.int64) * STEP + STEP // 2
        return self.left + along, self.top + along

    def sampled(self, values: ArrayLike) -> NDArray[np.float64]:
        """Return the value of a picture-sized array at each cell's middle."""
        pixels = np.asarray(values, float)
        index = _pixel(self.n, pixels.shape[0])
        return np.asarray(pixels[np.ix_(index, index)])

    def touched(self, mask: Mask) -> Mask:
        """Return the cells that contain any of a picture-sized mask."""
        return np.asarray(_share(mask, self.n) > 0.0)


def ground(masks: Mapping[str, Mask], field_deg: float, centre_deg: tuple[float, float]) -> Ground:
    """Divide a picture into regions by its masks.

    Parameters
    ----------
    masks : 'field', 'disc', 'macula', 'arterioles' and 'venules', as displayed.
    field_deg, centre_deg : of the picture; the centre as displayed, from the fovea (for a
        right eye the canonical x with its sign changed).

    Raises
    ------
    BadInput
        If a mask is missing or the disc is not in the picture: an examination starts there.
    """
    for name in ("field", "disc", "macula", "arterioles", "venules"):
        if name not in masks:
            raise BadInput(f"regions are read off the masks; there is none called {name!r}")
    if not masks["disc"].any():
        raise BadInput("the bedside view needs a picture with the disc in it: choose a wide view")
    n = round(100 * field_deg) // STEP
    size = n * STEP
    if abs(size - 100 * field_deg) > 0.5:
        raise BadInput(f"a field of {field_deg} degrees is no multiple of half a degree")
    left = round(100 * centre_deg[0]) - size // 2
    top = round(100 * centre_deg[1]) - size // 2
    shell = Ground(left, top, size, np.zeros((n, n), np.int32), np.zeros((n, n), np.int32))
    xs, ys = shell.middles
    x, y = np.meshgrid(xs / 100.0, ys / 100.0)
    disc_x, disc_y = _middle(masks["disc"], field_deg, centre_deg)
    from_disc = np.hypot(x - disc_x, y - disc_y)
    # The fovea is at the origin, so the disc lies on the nasal side of it.
    temporal = (x - disc_x) * disc_x < 0.0
    # Superior and inferior are told by the line from the disc to the fovea, and beyond.
    superior = y * disc_x < disc_y * x if disc_x > 0.0 else y * disc_x > disc_y * x
    labels = np.where(temporal, np.where(superior, 2, 3), np.where(superior, 4, 5)).astype(np.int32)
    beyond = np.hypot(x, y) > PERIPHERY_FROM_FOVEA_DEG
    labels[beyond & (from_disc > PERIPHERY_FROM_DISC_DEG)] = REGIONS.index("periphery")
    at_middle = {name: shell.sampled(masks[name]) > 0.5 for name in ("field", "disc", "macula")}
    labels[at_middle["macula"]] = REGIONS.index("macula")
    labels[at_middle["disc"]] = REGIONS.index("disc")
    labels[~at_middle["field"]] = 0
    counted = (labels != 0).astype(np.int32)
    vessels = _share(masks["arterioles"] | masks["venules"], n) >= VESSEL_SHARE
    quadrant = (labels >= 2) & (labels <= 5)
    counted[quadrant & ~(vessels & (from_disc <= FOLLOWED_DEG))] = 0
    return Ground(left, top, size, labels, counted)


def _pixel(n: int, size: int) -> NDArray[np.int64]:
    """Return the pixel at the middle of each of n cells."""
    return (np.arange(n, dtype=np.int64) * 2 + 1) * size // (2 * n)


def _share(mask: Mask, n: int) -> NDArray[np.float64]:
    """Return the share of each cell that a mask fills."""
    size = mask.shape[0]
    of_pixel = np.minimum(np.arange(size) * n // size, n - 1)
    index = of_pixel[:, None] * n + of_pixel[None, :]
    filled = np.bincount(index.ravel(), weights=mask.ravel(), minlength=n * n)
    whole = np.bincount(index.ravel(), minlength=n * n)
    return np.asarray((filled / np.maximum(whole, 1)).reshape(n, n))


def _middle(mask: Mask, field_deg: float, centre_deg: tuple[float, float]) -> tuple[float, float]:
    rows, columns = np.nonzero(mask)
    scale = field_deg / mask.shape[0]
    x = (float(columns.mean()) + 0.5) * scale - field_deg / 2 + centre_deg[0]
    y = (float(rows.mean()) + 0.5) * scale - field_deg / 2 + centre_deg[1]
    return x, y
