"""The major vessels of a disc, from their roots outwards."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from server.rendering.scene import Scene
from server.rendering.vessels.model import TRUNKS, Tree, VesselMaps

_MAJOR_RADIUS_DEG = 0.105
"""Half width from which a vessel at the margin is a major one (60 micrometres across)."""
_STEP_DEG = 0.05
REACH = 2.3
"""How far a vessel counts as leaving the disc, in disc radii from its centre."""


@dataclass(frozen=True, eq=False)
class Course:
    """One major vessel from its root on the disc outwards: points, radii and levels."""

    artery: bool
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    level: NDArray[np.float64]
    radius: NDArray[np.float64]


def major_courses(scene: Scene) -> list[Course]:
    """Return the major vessels that cross the disc's margin, arteries first.

    They are chosen on the undisturbed course, so that they are the same at every severity.
    """
    vessels = scene.vessels
    if vessels is None:
        return []
    courses = []
    for artery in (True, False):
        courses += _courses(scene, vessels, artery)
    return courses


def _courses(scene: Scene, vessels: VesselMaps, artery: bool) -> list[Course]:
    tree = vessels.placed_arteries if artery else vessels.placed_veins
    changes = vessels.changes
    wound = (changes.artery_tortuosity if artery else changes.vein_tortuosity) - 1.0
    level = scene.anatomy.disc_level(tree.x - wound * tree.bend_x, tree.y - wound * tree.bend_y)
    factor = changes.artery_calibre if artery else changes.vein_calibre
    radius = tree.radius / (factor if isinstance(factor, float) else 1.0)
    above = np.maximum(tree.parent, 0)
    capillary = tree.trunk == TRUNKS.index("capillary")
    crossing = (tree.parent >= 0) & (level >= 1.0) & (level[above] < 1.0) & ~capillary
    heirs = _heirs(tree)
    found = []
    for node in np.flatnonzero(crossing & (radius >= _MAJOR_RADIUS_DEG)):
        nodes = [int(node)]
        while tree.parent[nodes[0]] >= 0:
            nodes.insert(0, int(tree.parent[nodes[0]]))
        while heirs[nodes[-1]] >= 0 and level[nodes[-1]] < REACH:
            nodes.append(int(heirs[nodes[-1]]))
        if level[nodes[-1]] < 1.6:
            continue
        found.append(_finely(artery, tree.x[nodes], tree.y[nodes], level[nodes], radius[nodes]))
    return found


def _finely(
    artery: bool,
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    level: NDArray[np.float64],
    radius: NDArray[np.float64],
) -> Course:
    """Return a course with points close enough together to measure stretches of it."""
    path = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
    at = np.linspace(0.0, path[-1], max(int(path[-1] / _STEP_DEG), 2) + 1)
    return Course(artery, *(np.interp(at, path, values) for values in (x, y, level, radius)))


def _heirs(tree: Tree) -> NDArray[np.int64]:
    """Return for every node its widest child, -1 at a tip."""
    heirs = np.full(len(tree), -1)
    order = np.argsort(tree.radius, kind="stable")
    order = order[tree.parent[order] >= 0]
    heirs[tree.parent[order]] = order
    return heirs
