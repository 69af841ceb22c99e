"""From trees to pixels: for every pixel the nearest vessel, as tapered capsules.

Nothing is drawn here: the maps say how far a pixel lies from the wall and the
axis of its nearest vessel, and shading is arithmetic on them. A vessel narrower than a
pixel keeps its true radius; its share of the pixel makes it faint.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

from server.rendering.eye import Mask
from server.rendering.frame import Frame
from server.rendering.vessels.curving import curve
from server.rendering.vessels.model import Floats, Pixels, Tree, VesselMap, VesselMaps

MASKS: Final = ("arterioles", "venules")
"""What the two trees are called among the masks, in the order of ``VesselMaps.trees``."""

_SKIRT_DEG = 0.24
"""How far outside the wall of a large vessel the maps reach (its sheen and its crossings)."""
_STRIP_ROWS = 128


@njit(cache=True, fastmath=True)
def _capsules(
    column: Floats,
    row: Floats,
    parent: NDArray[np.int32],
    r_here: Floats,
    r_start: Floats,
    opacity: Floats,
    front: NDArray[np.bool_],
    along: Floats,
    skirt: float,
    first_row: int,
    packed: Pixels,
) -> None:
    """Write the rows from ``first_row`` on of a map as wide as the frame."""
    last_row, width = first_row + packed.shape[0] - 1, packed.shape[1]
    middle_px = 0.5 * width - 0.5
    for k in range(len(column)):
        p = parent[k]
        if p < 0 or (opacity[k] <= 0.0 and opacity[p] <= 0.0):
            continue
        ax, ay, bx, by = column[p], row[p], column[k], row[k]
        r0, r1 = r_start[k], r_here[k]
        wide = max(r0, r1)
        beyond = 1.5
        if skirt > 0.0:
            # Only vessels wide enough to have a sheen or to nick another get a skirt.
            beyond += skirt * min(max((wide / skirt - 0.20) / 0.20, 0.0), 1.0)
        reach = wide + beyond
        # The field is round: what lies wholly in a corner of the square is not seen.
        round2 = (0.5 * width + reach + 8.0) ** 2
        if (ax - middle_px) ** 2 + (ay - middle_px) ** 2 > round2 and (bx - middle_px) ** 2 + (
            by - middle_px
        ) ** 2 > round2:
            continue
        left = max(int(math.ceil(min(ax, bx) - reach)), 0)
        right = min(int(math.floor(max(ax, bx) + reach)), width - 1)
        top = max(int(math.ceil(min(ay, by) - reach)), first_row)
        bottom = min(int(math.floor(max(ay, by) + reach)), last_row)
        if left > right or top > bottom:
            continue
        dx, dy = bx - ax, by - ay
        length2 = dx * dx + dy * dy
        if length2 < 1e-12:
            continue
        step0, step1 = along[p], along[k]
        for i in range(top, bottom + 1):
            ey = i - ay
            # The stretch of this row within reach of the piece's line.
            first, last = left, right
            if abs(dy) > 0.3 * (abs(dx) + 1e-9):
                middle = ax + ey * dx / dy
                half = reach * math.sqrt(length2) / abs(dy) + 1.0
                first = max(first, int(middle - half))
                last = min(last, int(middle + half) + 1)
            n = i - first_row
            for j in range(first, last + 1):
                ex = j - ax
                t = (ex * dx + ey * dy) / length2
                t = min(max(t, 0.0), 1.0)
                qx, qy = ex - t * dx, ey - t * dy
                d2 = qx * qx + qy * qy
                r = r0 + t * (r1 - r0)
                if d2 > (r + beyond) ** 2:
                    continue
                d = math.sqrt(d2)
                before = packed[n, j, 1]
                if before == 0.0 or r - d > before - abs(packed[n, j, 0]):
                    seen = opacity[p] + t * (opacity[k] - opacity[p])
                    packed[n, j, 0] = d if dx * ey < dy * ex else -d
                    packed[n, j, 1] = r
                    packed[n, j, 2] = -seen if front[k] else seen
                    packed[n, j, 3] = step0 + t * (step1 - step0)


_Pieces = tuple[
    Floats, Floats, NDArray[np.int32], Floats, Floats, Floats, NDArray[np.bool_], Floats, float
]


def _pieces(tree: Tree, opacity: Floats, frame: Frame, skirt: bool = True) -> _Pieces:
    """Return the pieces of a tree in pixels, as the rasteriser takes them."""
    scale = frame.px_per_degree
    above = np.maximum(tree.parent, 0)
    # A side branch is not a cone from its host's width: it starts a quarter wider
    # than it goes on, the funnel of a real mouth.
    start = np.minimum(tree.radius[above], 1.22 * tree.radius)
    course = curve(
        (tree.x - frame.left_deg) * scale - 0.5,
        (tree.y - frame.top_deg) * scale - 0.5,
        tree.parent,
        tree.radius * scale,
        start * scale,
        opacity,
        tree.front,
        tree.path,
        float(frame.size_px),
    )
    return (*course, _SKIRT_DEG * scale if skirt else 0.0)


def rasterise(tree: Tree, opacity: Floats, frame: Frame, rows: slice | None = None) -> VesselMap:
    """Return the nearest-vessel maps of one tree.

    Parameters
    ----------
    tree : the tree, already changed by findings.
    opacity : per node, 0 to 1; pieces whose ends are both 0 are not drawn.
    frame : the pixel grid.
    rows : the rows wanted, in full width; None for all. A whole map is larger than
        the picture, so whoever can works in ``strips``.
    """
    return _rows(_pieces(tree, opacity, frame), frame, rows or slice(0, frame.size_px))


def strips(
    tree: Tree, opacity: Floats, frame: Frame, skirt: bool = False
) -> Iterator[tuple[slice, VesselMap]]:
    """Yield the maps of one tree strip by strip, each with its rows of the frame.

    With a ``skirt`` they reach beyond the walls of wide vessels, as ``rasterise`` has them.
    """
    pieces = _pieces(tree, opacity, frame, skirt)
    for rows in frame.strips(_STRIP_ROWS):
        yield rows, _rows(pieces, frame, rows)


def _rows(pieces: _Pieces, frame: Frame, rows: slice) -> VesselMap:
    packed = np.zeros((rows.stop - rows.start, frame.size_px, 4), np.float32)
    _capsules(*pieces, rows.start, packed)
    return VesselMap(packed)


def visible_masks(maps: VesselMaps) -> dict[str, Mask]:
    """Return the pixels that belong to ``arterioles`` and to ``venules``."""
    masks = {}
    for name, (tree, opacity) in zip(MASKS, maps.trees, strict=True):
        masks[name] = empty_mask(maps.frame)
        for rows, part in strips(tree, opacity, maps.frame):
            trace(part.packed, masks[name][rows])
    return masks


def empty_mask(frame: Frame) -> Mask:
    """Return a mask of a frame with nothing in it."""
    return np.zeros((frame.size_px, frame.size_px), np.bool_)


@njit(cache=True)
def trace(packed: Pixels, out: Mask) -> None:
    """Mark the pixels of a map that belong to a vessel.

    A vessel narrower than a pixel is marked one pixel wide, as a person tracing
    it would; what is too faint to trace is left out.
    """
    height, width = packed.shape[:2]
    for i in range(height):
        for j in range(width):
            r = packed[i, j, 1]
            if r > 0.0 and abs(packed[i, j, 2]) > 0.25:
                out[i, j] = abs(packed[i, j, 0]) <= max(r, 0.5)
