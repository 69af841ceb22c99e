"""Questions that findings ask of the vessels: where they run, and which way."""

from __future__ import annotations

import numpy as np
from numba import njit
from scipy.spatial import cKDTree

from server.rendering.anatomy import Anatomy
from server.rendering.vessels.density import wanted_flow
from server.rendering.vessels.model import Floats, Tree


@njit(cache=True)
def _flows(x: Floats, y: Floats, disc_x: float, disc_y: float) -> Floats:
    out = np.empty((len(x), 2))
    for k in range(len(x)):
        out[k] = wanted_flow(x[k], y[k], disc_x, disc_y)
    return out


def flow_field(x: Floats, y: Floats, anatomy: Anatomy) -> Floats:
    """Return the unit direction of blood flow away from the disc at points, shape (n, 2)."""
    shape = np.shape(x)
    flat = _flows(
        np.ascontiguousarray(x, float).ravel(),
        np.ascontiguousarray(y, float).ravel(),
        anatomy.disc_x,
        anatomy.disc_y,
    )
    return flat.reshape((*shape, 2))


def nearest_node(tree: Tree, x: Floats, y: Floats) -> tuple[np.ndarray, Floats]:
    """Return the index of the tree's node nearest to each point, and its distance (degrees)."""
    distance, index = cKDTree(np.stack([tree.x, tree.y], axis=1)).query(
        np.stack([np.ravel(x), np.ravel(y)], axis=1)
    )
    return index.reshape(np.shape(x)), distance.reshape(np.shape(x))


def tangent_near(tree: Tree, x: Floats, y: Floats) -> Floats:
    """Return the direction of the nearest vessel of a tree at points, shape (n, 2)."""
    index, _ = nearest_node(tree, x, y)
    tx, ty = tree.tangent()
    return np.stack([tx[index], ty[index]], axis=-1)


def points_along(
    tree: Tree,
    low: float,
    high: float,
    *,
    widest: float = np.inf,
    narrowest: float = 0.0,
) -> np.ndarray:
    """Return the indices of a tree's nodes between two eccentricities.

    Parameters
    ----------
    tree : the tree.
    low, high : distance from the fovea, degrees.
    widest, narrowest : limits of the vessel's radius, degrees.
    """
    ecc = np.hypot(tree.x, tree.y)
    wanted = (ecc >= low) & (ecc < high) & (tree.radius <= widest) & (tree.radius >= narrowest)
    return np.flatnonzero(wanted & (tree.parent >= 0))
