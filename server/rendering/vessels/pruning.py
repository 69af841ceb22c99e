"""Cutting branches off a tree: whole ones, with all that hangs on them."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from server.rendering.vessels.model import Floats

_SHARPEST = np.cos(np.deg2rad(58.0))
"""A vessel that does not branch seldom turns more than this between two nodes
(common practice, no source)."""
_LARGEST = 14.0
"""No branch with more tips than this is cut for its course alone."""


def hooks(x: Floats, y: Floats, parent: NDArray[np.int32], leaves: Floats) -> NDArray[np.bool_]:
    """Mark the nodes to cut so that no small vessel ends in a hook.

    Where the stem ahead of a side branch was cut, the branch goes on alone and the
    vessel seems to turn a corner, which real ones do not.

    Parameters
    ----------
    x, y : the nodes, degrees, shape (n,).
    parent : the node before each, -1 at a root.
    leaves : the tips that hang on each node.
    """
    children = np.bincount(parent[parent >= 0], minlength=len(x))
    before = np.where(parent >= 0, parent[parent], -1)
    turning = np.flatnonzero((before >= 0) & (leaves <= _LARGEST))
    turning = turning[children[parent[turning]] == 1]
    p, g = parent[turning], before[turning]
    ax, ay, bx, by = x[p] - x[g], y[p] - y[g], x[turning] - x[p], y[turning] - y[p]
    size = np.hypot(ax, ay) * np.hypot(bx, by)
    cut = np.zeros(len(x), np.bool_)
    cut[turning[ax * bx + ay * by < _SHARPEST * size]] = True
    return downstream(cut, parent)


@njit(cache=True)
def downstream(cut: NDArray[np.bool_], parent: NDArray[np.int32]) -> NDArray[np.bool_]:
    """Mark, in place, all that hangs on a marked node; return the marks."""
    for k in range(len(cut)):
        if parent[k] >= 0 and cut[parent[k]]:
            cut[k] = True
    return cut
