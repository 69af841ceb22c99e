"""From a tree's straight pieces to a smooth course, as fine as the pixels ask for.

Nodes lie a third of a degree apart. In a close-up the straight pieces between them
would show as corners, which no vessel has; so each piece follows the cubic through
its neighbours (Catmull and Rom 1974, with chords as tangents).
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from server.rendering.vessels.model import Floats

_PIECE_PX = 4.0
_MOST = 6

Course = tuple[Floats, Floats, NDArray[np.int32], Floats, Floats, Floats, NDArray[np.bool_], Floats]
"""column, row (pixels), parent, radius at the node and at the piece's start (pixels),
opacity (0 to 1), whether it lies in front, and the way along the vessel (degrees)."""


@njit(cache=True)
def curve(
    column: Floats,
    row: Floats,
    parent: NDArray[np.int32],
    r_here: Floats,
    r_start: Floats,
    opacity: Floats,
    front: NDArray[np.bool_],
    along: Floats,
    width_px: float,
) -> Course:
    """Return the same tree with nodes put in where a piece is long on the picture.

    ``width_px`` is the size of the picture; what lies outside it stays as it is. The
    given nodes keep their places, and parents still come before their children.
    """
    n = len(column)
    # The stem goes on into the child that is widest; the others branch off.
    heir = np.full(n, -1, np.int32)
    for k in range(n):
        p = parent[k]
        if p >= 0 and (heir[p] < 0 or r_here[k] > r_here[heir[p]]):
            heir[p] = k
    parts = np.ones(n, np.int32)
    for k in range(n):
        p = parent[k]
        if p < 0:
            continue
        outside = (
            max(column[k], column[p]) < -20.0
            or max(row[k], row[p]) < -20.0
            or min(column[k], column[p]) > width_px + 20.0
            or min(row[k], row[p]) > width_px + 20.0
        )
        if not outside:
            length = math.hypot(column[k] - column[p], row[k] - row[p])
            parts[k] = min(max(int(math.ceil(length / _PIECE_PX)), 1), _MOST)
    total = parts.sum()
    column2, row2 = np.empty(total), np.empty(total)
    parent2 = np.empty(total, np.int32)
    here2, start2 = np.empty(total), np.empty(total)
    opacity2, along2 = np.empty(total), np.empty(total)
    front2 = np.empty(total, np.bool_)
    final = np.empty(n, np.int32)
    at = 0
    for k in range(n):
        p, m = parent[k], parts[k]
        if p < 0 or m == 1:
            column2[at], row2[at] = column[k], row[k]
            parent2[at] = final[p] if p >= 0 else -1
            here2[at], start2[at] = r_here[k], r_start[k]
            opacity2[at], along2[at], front2[at] = opacity[k], along[k], front[k]
            final[k] = at
            at += 1
            continue
        dx, dy = column[k] - column[p], row[k] - row[p]
        length = math.hypot(dx, dy)
        ux0, uy0, ux1, uy1 = dx, dy, dx, dy
        g, c = parent[p], heir[k]
        if g >= 0 and heir[p] == k:
            ux0, uy0 = _tangent(column[k] - column[g], row[k] - row[g], length)
        if c >= 0:
            ux1, uy1 = _tangent(column[c] - column[p], row[c] - row[p], length)
        above = final[p]
        r_before = r_start[k]
        for j in range(1, m + 1):
            t = j / m
            t2, t3 = t * t, t * t * t
            b, d = t3 - 2.0 * t2 + t, t3 - t2
            e = 3.0 * t2 - 2.0 * t3
            column2[at] = column[p] + e * dx + b * ux0 + d * ux1
            row2[at] = row[p] + e * dy + b * uy0 + d * uy1
            radius = r_start[k] + t * (r_here[k] - r_start[k])
            parent2[at], here2[at], start2[at] = above, radius, r_before
            opacity2[at] = opacity[p] + t * (opacity[k] - opacity[p])
            along2[at] = along[p] + t * (along[k] - along[p])
            front2[at] = front[k]
            above, r_before = at, radius
            at += 1
        final[k] = above
    return column2, row2, parent2, here2, start2, opacity2, front2, along2


@njit(cache=True)
def _tangent(dx: float, dy: float, length: float) -> tuple[float, float]:
    """Return the direction of a chord, as long as the piece, so that no loop can form."""
    chord = math.hypot(dx, dy)
    if chord < 1e-9:
        return 0.0, 0.0
    return dx / chord * length, dy / chord * length
