"""Where vessels cross: forbidden within a kind, and a question of depth between kinds."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from server.rendering.vessels.model import Floats, Tree
from server.rendering.vessels.pruning import downstream

_CELL = 1.2


@njit(cache=True)
def _meet(
    ax: float, ay: float, bx: float, by: float, cx: float, cy: float, dx: float, dy: float
) -> bool:
    """Whether the pieces a-b and c-d properly intersect."""
    s1 = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
    s2 = (bx - ax) * (dy - ay) - (by - ay) * (dx - ax)
    if s1 * s2 >= 0.0:
        return False
    s3 = (dx - cx) * (ay - cy) - (dy - cy) * (ax - cx)
    s4 = (dx - cx) * (by - cy) - (dy - cy) * (bx - cx)
    return s3 * s4 < 0.0


@njit(cache=True)
def _pairs(
    ax: Floats,
    ay: Floats,
    ap: NDArray[np.int32],
    bx: Floats,
    by: Floats,
    bp: NDArray[np.int32],
    same: bool,
    low: float,
    side: int,
    cell: float,
) -> NDArray[np.int32]:
    """Return (node of a, node of b) whose pieces intersect.

    Pieces of b are hung into the grid cell of their middle; pieces are shorter
    than a cell, so the neighbouring cells hold every candidate.
    """
    head = np.full(side * side, -1, np.int32)
    chain = np.full(len(bx), -1, np.int32)
    for k in range(len(bx)):
        p = bp[k]
        if p >= 0:
            i = int((0.5 * (bx[k] + bx[p]) - low) / cell)
            j = int((0.5 * (by[k] + by[p]) - low) / cell)
            c = min(max(j, 0), side - 1) * side + min(max(i, 0), side - 1)
            chain[k] = head[c]
            head[c] = k
    found = np.empty((4096, 2), np.int32)
    n = 0
    for k in range(len(ax)):
        p = ap[k]
        if p < 0:
            continue
        mx, my = 0.5 * (ax[k] + ax[p]), 0.5 * (ay[k] + ay[p])
        ci, cj = int((mx - low) / cell), int((my - low) / cell)
        for j in range(max(cj - 1, 0), min(cj + 2, side)):
            for i in range(max(ci - 1, 0), min(ci + 2, side)):
                m = head[j * side + i]
                while m >= 0:
                    q = bp[m]
                    kin = same and (m <= k or q == k or p == m or p == q)  # noqa: SIM109
                    if (
                        not kin
                        and n < len(found)
                        and _meet(ax[k], ay[k], ax[p], ay[p], bx[m], by[m], bx[q], by[q])
                    ):
                        found[n, 0], found[n, 1] = k, m
                        n += 1
                    m = chain[m]
    return found[:n]


def intersections(
    ax: Floats, ay: Floats, a_parent: NDArray[np.int32],
    bx: Floats, by: Floats, b_parent: NDArray[np.int32], same: bool = False,
) -> NDArray[np.int32]:  # fmt: skip
    """Return pairs of nodes whose pieces intersect, shape (n, 2).

    With ``same`` both are one tree: each pair once, pieces that share a node left out.
    """
    low = float(min(ax.min(), ay.min(), bx.min(), by.min())) - 1.0
    high = float(max(ax.max(), ay.max(), bx.max(), by.max())) + 1.0
    side = int((high - low) / _CELL) + 2
    return _pairs(ax, ay, a_parent, bx, by, b_parent, same, low, side, _CELL)


def within(tree: Tree) -> NDArray[np.int32]:
    """Return the crossings of a tree with itself, as pairs of nodes."""
    return intersections(tree.x, tree.y, tree.parent, tree.x, tree.y, tree.parent, True)


def between(arteries: Tree, veins: Tree) -> NDArray[np.int32]:
    """Return the crossings of arteries (first column) and veins (second), as pairs of nodes."""
    return intersections(arteries.x, arteries.y, arteries.parent, veins.x, veins.y, veins.parent)


def offenders(
    x: Floats, y: Floats, parent: NDArray[np.int32], load: Floats, spared: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Mark the nodes to cut so that no vessel crosses another of its kind.

    Of two crossing pieces the lighter one goes, with all that hangs on it.
    Pieces of which both nodes are ``spared`` (trunks on the disc) may cross.
    """
    cut = np.zeros(len(x), np.bool_)
    for k, m in intersections(x, y, parent, x, y, parent, True):
        if spared[k] and spared[m]:
            continue
        cut[k if load[k] < load[m] else m] = True
    return downstream(cut, parent)


def order_depths(
    crossings: NDArray[np.int32], veins: Tree, rng: np.random.Generator, artery_front: float
) -> NDArray[np.bool_]:
    """Decide who lies in front at every crossing; return the veins' ``front`` per node.

    Parameters
    ----------
    crossings : from ``between``.
    veins : the vein tree.
    rng : source of the draws.
    artery_front : share of crossings at which the artery lies in front.
    """
    front = np.zeros(len(veins), np.bool_)
    rolls = rng.random(len(crossings)) >= artery_front
    nodes = crossings[rolls, 1]
    front[nodes] = True
    # Along the vein for a little way on either side, so that the whole crossing agrees.
    for _ in range(3):
        above = veins.parent[np.flatnonzero(front)]
        grown = front.copy()
        grown[above[above >= 0]] = True
        has = veins.parent >= 0
        grown[has] |= front[veins.parent[has]]
        front = grown
    # A crossing the artery won keeps its own place.
    front[crossings[~rolls, 1]] = False
    return front
