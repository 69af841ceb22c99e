"""A tree while it grows, hung into a grid so that near nodes are found quickly."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from server.rendering.vessels.model import TRUNKS, Floats
from server.rendering.vessels.trunks import Trunk

REACH = 57.0
"""Radius of the retina that is given vessels, degrees from the fovea."""

_CELL = 1.0
SIDE = int(2 * REACH / _CELL) + 4
_ROOM = 14000


@dataclass(eq=False)
class Growing:
    """A tree while it grows: arrays with room to spare, and a grid of chains to search it."""

    x: Floats
    y: Floats
    parent: NDArray[np.int32]
    tangent: Floats
    trunk: NDArray[np.int8]
    lower: NDArray[np.bool_]
    children: NDArray[np.int32]
    blocked: NDArray[np.bool_]
    head: NDArray[np.int32]
    chain: NDArray[np.int32]
    count: NDArray[np.int64]


def plant(trunks: list[Trunk]) -> Growing:
    """Turn trunks into a growing tree."""
    g = Growing(
        x=np.zeros(_ROOM),
        y=np.zeros(_ROOM),
        parent=np.full(_ROOM, -1, np.int32),
        tangent=np.zeros((_ROOM, 2)),
        trunk=np.full(_ROOM, -1, np.int8),
        lower=np.zeros(_ROOM, np.bool_),
        children=np.zeros(_ROOM, np.int32),
        blocked=np.zeros(_ROOM, np.bool_),
        head=np.full(SIDE * SIDE, -1, np.int32),
        chain=np.full(_ROOM, -1, np.int32),
        count=np.zeros(1, np.int64),
    )
    first: list[int] = []
    for trunk in trunks:
        points = trunk.points
        outside = np.hypot(points[:, 0], points[:, 1]) > REACH
        if outside.any():
            points = points[: max(int(np.argmax(outside)), 2)]
        n = int(g.count[0])
        if trunk.host >= 0:
            parent = first[trunk.host] + trunk.host_point
            points = points[1:]
        else:
            parent = -1
        m = len(points)
        first.append(n)
        g.x[n : n + m], g.y[n : n + m] = points[:, 0], points[:, 1]
        g.parent[n : n + m] = np.arange(n - 1, n + m - 1)
        g.parent[n] = parent
        g.children[g.parent[n : n + m][g.parent[n : n + m] >= 0]] += 1
        tangent = np.gradient(points, axis=0)
        g.tangent[n : n + m] = tangent / np.maximum(np.hypot(*tangent.T), 1e-9)[:, None]
        g.trunk[n : n + m] = TRUNKS.index(trunk.name)
        g.lower[n : n + m] = trunk.lower
        if parent >= 0:
            block_round(g.x, g.y, g.blocked, g.head, g.chain, g.x[parent], g.y[parent], 0.6)
        g.count[0] = n + m
        enter_all(g.x, g.y, g.head, g.chain, n, n + m)
    return g


@njit(cache=True)
def cell_of(v: float) -> int:
    k = int((v + REACH) / _CELL) + 1
    return min(max(k, 0), SIDE - 1)


@njit(cache=True)
def enter(x: Floats, y: Floats, head: NDArray[np.int32], chain: NDArray[np.int32], k: int) -> None:
    cell = cell_of(y[k]) * SIDE + cell_of(x[k])
    chain[k] = head[cell]
    head[cell] = k


@njit(cache=True)
def enter_all(
    x: Floats, y: Floats, head: NDArray[np.int32], chain: NDArray[np.int32], low: int, high: int
) -> None:
    for k in range(low, high):
        enter(x, y, head, chain, k)


@njit(cache=True)
def block_round(
    x: Floats,
    y: Floats,
    blocked: NDArray[np.bool_],
    head: NDArray[np.int32],
    chain: NDArray[np.int32],
    px: float,
    py: float,
    radius: float,
) -> None:
    """Keep new branches away from a fork."""
    for row in range(cell_of(py - radius), cell_of(py + radius) + 1):
        for column in range(cell_of(px - radius), cell_of(px + radius) + 1):
            k = head[row * SIDE + column]
            while k >= 0:
                if (x[k] - px) ** 2 + (y[k] - py) ** 2 < radius * radius:
                    blocked[k] = True
                k = chain[k]


@njit(cache=True)
def nearest2(
    x: Floats,
    y: Floats,
    head: NDArray[np.int32],
    chain: NDArray[np.int32],
    px: float,
    py: float,
    radius: float,
) -> float:
    """Squared distance to the nearest node within a radius, or the radius squared."""
    best = radius * radius
    for row in range(cell_of(py - radius), cell_of(py + radius) + 1):
        for column in range(cell_of(px - radius), cell_of(px + radius) + 1):
            k = head[row * SIDE + column]
            while k >= 0:
                d = (x[k] - px) ** 2 + (y[k] - py) ** 2
                if d < best:
                    best = d
                k = chain[k]
    return best
