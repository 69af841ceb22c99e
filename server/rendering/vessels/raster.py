"""From trees to pixels: for every pixel the nearest vessel, as tapered capsules.

Nothing is drawn here: the maps say how far a pixel lies from the wall and the
axis of its nearest vessel, and shading is arithmetic on them. A vessel narrower than a
pixel keeps its true radius; its share of the pixel makes it faint.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from server.rendering.frame import Frame
from server.rendering.vessels.model import Floats, Pixels, Tree, VesselMap

FAR = -1000.0

_SKIRT_DEG = 0.24
"""How far outside the wall of a large vessel the maps reach (its sheen and its crossings)."""


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
    inside: Pixels,
    offset: Pixels,
    radius: Pixels,
    seen: Pixels,
    over: Pixels,
    length: Pixels,
) -> None:
    height, width = inside.shape
    for k in range(len(column)):
        p = parent[k]
        if p < 0 or (opacity[k] <= 0.0 and opacity[p] <= 0.0):
            continue
        ax, ay, bx, by = column[p], row[p], column[k], row[k]
        r0, r1 = r_start[k], r_here[k]
        reach = max(r0, r1) + 1.6
        # Only vessels wide enough to have a sheen or to nick another get a skirt.
        reach += skirt * min(1.0, max(r0, r1) / (0.45 * skirt + 1e-6))
        left = max(int(math.ceil(min(ax, bx) - reach)), 0)
        right = min(int(math.floor(max(ax, bx) + reach)), width - 1)
        top = max(int(math.ceil(min(ay, by) - reach)), 0)
        bottom = min(int(math.floor(max(ay, by) + reach)), height - 1)
        if left > right or top > bottom:
            continue
        dx, dy = bx - ax, by - ay
        length2 = dx * dx + dy * dy
        if length2 < 1e-12:
            continue
        norm = 1.0 / math.sqrt(length2)
        step0, step1 = along[p], along[k]
        for i in range(top, bottom + 1):
            for j in range(left, right + 1):
                ex, ey = j - ax, i - ay
                t = (ex * dx + ey * dy) / length2
                t = min(max(t, 0.0), 1.0)
                qx, qy = ex - t * dx, ey - t * dy
                d = math.sqrt(qx * qx + qy * qy)
                r = r0 + t * (r1 - r0)
                if d > r + reach:
                    continue
                value = r - d
                if value > inside[i, j]:
                    inside[i, j] = value
                    side = (dx * ey - dy * ex) * norm
                    offset[i, j] = d if side < 0.0 else -d
                    radius[i, j] = r
                    seen[i, j] = opacity[p] + t * (opacity[k] - opacity[p])
                    over[i, j] = 1.0 if front[k] else 0.0
                    length[i, j] = step0 + t * (step1 - step0)


def rasterise(tree: Tree, opacity: Floats, frame: Frame) -> VesselMap:
    """Return the nearest-vessel maps of one tree.

    Parameters
    ----------
    tree : the tree, already changed by findings.
    opacity : per node, 0 to 1; pieces whose ends are both 0 are not drawn.
    frame : the pixel grid.
    """
    scale = frame.px_per_degree
    shape = (frame.size_px, frame.size_px)
    inside = np.full(shape, FAR, np.float32)
    offset, radius, seen, over, length = (np.zeros(shape, np.float32) for _ in range(5))
    above = np.maximum(tree.parent, 0)
    # A side branch is not a cone from its host's width: it starts a quarter wider
    # than it goes on, the funnel of a real mouth.
    start = np.minimum(tree.radius[above], 1.22 * tree.radius)
    _capsules(
        (tree.x - frame.left_deg) * scale - 0.5,
        (tree.y - frame.top_deg) * scale - 0.5,
        tree.parent,
        tree.radius * scale,
        start * scale,
        opacity,
        tree.front,
        tree.path,
        _SKIRT_DEG * scale,
        inside, offset, radius, seen, over, length,
    )  # fmt: skip
    return VesselMap(inside, offset, radius, seen, over, length)


def visible_mask(vessels: VesselMap) -> NDArray[np.bool_]:
    """Return the pixels that belong to a vessel.

    A vessel narrower than a pixel is marked one pixel wide, as a person tracing
    it would; what is too faint to trace is left out.
    """
    reach = np.maximum(vessels.radius, np.float32(0.5))
    mask: NDArray[np.bool_] = (np.abs(vessels.offset) <= reach) & (vessels.inside > FAR / 2)
    mask &= vessels.opacity > 0.25
    return mask
