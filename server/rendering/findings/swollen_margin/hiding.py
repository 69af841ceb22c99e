"""Major vessels sinking into the swelling: which stretch, from when, and what remains visible.

Visibility of a stretch is its contrast against the tissue beside it over the contrast it
would have with nothing in front. The veil is painted as a blend of the picture with the same
picture without vessels, so that its share *is* the contrast lost, at any size of picture.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from server.rendering.findings.swollen_margin.halo import Halo
from server.rendering.findings.swollen_margin.stages import Signs
from server.rendering.frame import Floats
from server.rendering.lesions import smoothstep
from server.rendering.noise import Noise
from server.rendering.scene import Scene
from server.rendering.vessels.model import TRUNKS, Tree, VesselMaps

HIDDEN_BELOW = 0.30
"""Visibility under which a stretch of vessel counts as hidden (Frisén: 'obscured')."""
SEGMENT_DEG = 0.30
"""Shortest stretch that counts, degrees: about the width of a vein at the margin."""
_MAJOR_RADIUS_DEG = 0.105
"""Half width from which a vessel at the margin is a major one (60 micrometres across)."""
_REACH = 2.3
"""How far a vessel counts as leaving the disc, in disc radii from its centre."""


@dataclass(frozen=True, eq=False)
class Course:
    """One major vessel from its root on the disc outwards: nodes of a tree, in order."""

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
        while heirs[nodes[-1]] >= 0 and level[nodes[-1]] < _REACH:
            nodes.append(int(heirs[nodes[-1]]))
        if level[nodes[-1]] < 1.6:
            continue
        found.append(Course(artery, tree.x[nodes], tree.y[nodes], level[nodes], radius[nodes]))
    return found


def _heirs(tree: Tree) -> NDArray[np.int64]:
    """Return for every node its widest child, -1 at a tip."""
    heirs = np.full(len(tree), -1)
    order = np.argsort(tree.radius, kind="stable")
    order = order[tree.parent[order] >= 0]
    heirs[tree.parent[order]] = order
    return heirs


@dataclass(frozen=True, eq=False)
class Veils:
    """Patches of opaque fibres in front of stretches of vessel.

    Parameters
    ----------
    seed : of the eye.
    x, y, length : middle and half length of each patch, degrees.
    towards : direction of the vessel there, radians.
    cover : opacity in the middle, 0 to 1.
    on_disc : whether the patch lies on the disc; the others lie beyond its margin.
    """

    seed: int
    halo: Halo
    common: float
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    length: NDArray[np.float64]
    width: NDArray[np.float64]
    towards: NDArray[np.float64]
    cover: NDArray[np.float64]
    on_disc: NDArray[np.float64]

    @classmethod
    def of(cls, scene: Scene, halo: Halo, courses: list[Course], along: float) -> Veils:
        """Return the patches of an eye at a progress along the scale."""
        rng = scene.rng("swollen-margin veils")
        count = len(courses)
        order = {name: rng.permutation(count) for name in ("leaving", "on")}
        _spare_the_most_apart(order["leaving"], courses)
        rows = []
        for n, course in enumerate(courses):
            places = rng.uniform(0, 1, 6)
            late = order["leaving"][n] / max(count - 1, 1)
            # The first sinks as stage 3 begins, the last as stage 5 does.
            begins = 2.96 + 2.0 * late**1.25
            far = 1.22 + 0.16 * late + 0.14 * places[0]
            rows.append((*_patch(course, far, 0.60 + 0.30 * places[1], begins, along), 0.0))
            late = order["on"][n] / max(count - 1, 1)
            begins = 3.88 + (1.4 + 0.4 * places[2]) * late
            near = 0.50 + 0.24 * places[3]
            rows.append((*_patch(course, near, 0.62 + 0.25 * places[4], begins, along), 1.0))
        table = np.array(rows, float).reshape(-1, 7)
        common = 0.15 + 0.25 * smoothstep(1.0, 3.0, along) + 0.20 * smoothstep(4.3, 5.4, along)
        return cls(scene.eye.seed, halo, float(common), *table.T)

    def over(self, x: ArrayLike, y: ArrayLike, opacity: Floats | None = None) -> Floats:
        """Return the share of a vessel's contrast that is lost at canonical points.

        Parameters
        ----------
        x, y : the points, degrees.
        opacity : the halo's opacity there, if it is known already.
        """
        xs, ys = np.asarray(x, np.float32), np.asarray(y, np.float32)
        known = self.halo.opacity(xs, ys) if opacity is None else opacity
        seen = 1 - np.float32(self.common) * known
        for n in np.flatnonzero(self.cover > 0):
            px, py = np.float32(self.x[n]), np.float32(self.y[n])
            reach = np.float32(1.9 * max(self.length[n], self.width[n]))
            near = _box(np.abs(xs - px) < reach, np.abs(ys - py) < reach)
            if near is not None:
                seen[near] *= 1 - self._patch(int(n), xs[near], ys[near])
        return (1 - seen).astype(np.float32)

    def _patch(self, n: int, xs: Floats, ys: Floats) -> Floats:
        dx, dy = xs - np.float32(self.x[n]), ys - np.float32(self.y[n])
        cos, sin = np.float32(np.cos(self.towards[n])), np.float32(np.sin(self.towards[n]))
        u = (dx * cos + dy * sin) / np.float32(self.length[n])
        v = (dy * cos - dx * sin) / np.float32(self.width[n])
        ragged = Noise(self.seed, "swollen-margin veil edge", 0.32).at(xs, ys)
        off = np.sqrt(u * u + v * v) + np.float32(0.10) * ragged
        opaque = np.float32(self.cover[n]) * (1 - smoothstep(0.40, 1.50, off))
        level = self.halo.level(xs, ys)
        where = (
            1 - smoothstep(0.90, 1.0, level) if self.on_disc[n] else smoothstep(0.98, 1.08, level)
        )
        return (opaque * where).astype(np.float32)


def _box(x_near: NDArray[np.bool_], y_near: NDArray[np.bool_]) -> tuple[slice, ...] | None:
    """Return the smallest block of an array that holds all points near in x and in y."""
    near = x_near & y_near
    if not near.any():
        return None
    if near.ndim == 1:
        along = np.flatnonzero(near)
        return (slice(int(along[0]), int(along[-1]) + 1),)
    rows, columns = np.flatnonzero(near.any(axis=1)), np.flatnonzero(near.any(axis=0))
    return (
        slice(int(rows[0]), int(rows[-1]) + 1),
        slice(int(columns[0]), int(columns[-1]) + 1),
    )


def _spare_the_most_apart(order: NDArray[np.int64], courses: list[Course]) -> None:
    """Let the vessel furthest from its neighbours sink last, in place.

    Another's veil would hide a close neighbour too, and all would be hidden too soon.
    """
    if len(courses) < 2:
        return
    points = np.array([[c.x[k], c.y[k]] for c in courses for k in [_nearest(c, 1.3)]])
    apart = np.hypot(*(points[:, None, :] - points[None, :, :]).transpose(2, 0, 1))
    np.fill_diagonal(apart, np.inf)
    alone, last = int(apart.min(axis=1).argmax()), int(order.argmax())
    order[alone], order[last] = order[last], order[alone]


def _nearest(course: Course, level: float) -> int:
    """Return the node of a course at a level, in disc radii from the disc's centre."""
    return int(np.argmin(np.abs(course.level - level)))


def _patch(
    course: Course, level: float, length: float, begins: float, along: float
) -> tuple[float, float, float, float, float, float]:
    k = _nearest(course, level)
    a, b = max(k - 2, 0), min(k + 2, len(course.x) - 1)
    way = float(np.arctan2(course.y[b] - course.y[a], course.x[b] - course.x[a]))
    width = float(course.radius[k]) + 0.30
    # Reaches the share that hides (0.7) where it should begin.
    cover = 0.96 * float(smoothstep(begins - 0.80, begins + 0.38, along))
    return float(course.x[k]), float(course.y[k]), length, width, way, cover


def signs(scene: Scene, halo: Halo, veils: Veils, courses: list[Course]) -> Signs:
    """Read the signs that make the stage from what is painted over the vessels."""
    leaving = on_disc = either = 0
    for course in courses:
        visible = 1 - veils.over(course.x, course.y)
        level = halo.level(course.x, course.y)
        on = _has_segment(course, (visible < HIDDEN_BELOW) & (level < 1.0))
        off = _has_segment(course, (visible < HIDDEN_BELOW) & (level >= 1.0))
        leaving, on_disc, either = leaving + off, on_disc + on, either + (on or off)
    return Signs(halo.arc_deg(), len(courses), leaving, on_disc, either)


def _has_segment(course: Course, hidden: NDArray[np.bool_]) -> bool:
    """Whether a run of hidden nodes is long enough to count."""
    steps = np.hypot(np.diff(course.x), np.diff(course.y))
    run = 0.0
    for here, before, step in zip(hidden[1:], hidden[:-1], steps, strict=True):
        run = run + float(step) if here and before else 0.0
        if run >= SEGMENT_DEG:
            return True
    return False


def paint_over_vessels(scene: Scene, veils: Veils, opacity: Floats, without: Floats) -> None:
    """Let the veil hide the vessels.

    Parameters
    ----------
    opacity : of the halo, over its crop.
    without : that crop of the picture as it was before the vessels were drawn.
    """
    crop = veils.halo.crop(scene)
    xs, ys = scene.frame.degrees(crop)
    lost = veils.over(xs, ys, opacity)
    light = scene.linear[crop.slices]
    light += lost[..., None] * (without - light)
    for name in ("arterioles", "venules"):
        scene.masks[name][crop.slices] &= lost < 1 - HIDDEN_BELOW
