"""Patches of opaque fibres that hide stretches of vessel, each from its own time on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from server.rendering.findings.swollen_margin.courses import Course
from server.rendering.findings.swollen_margin.halo import Halo
from server.rendering.frame import Floats
from server.rendering.lesions import smoothstep
from server.rendering.noise import Noise
from server.rendering.scene import Scene

_EXTENT = 1.6
"""Where a patch has faded out, in its half lengths or half widths."""


@dataclass(frozen=True, eq=False)
class Patch:
    """Opaque fibres over one stretch of a vessel.

    Parameters
    ----------
    x, y : points along the vessel, degrees.
    apart : their distance along it from the patch's middle, degrees.
    length, width : half length along the vessel and half width across, degrees.
    cover : opacity in the middle, 0 to 1.
    on_disc : whether it lies on the disc; the others lie beyond its margin.
    """

    x: NDArray[np.float64]
    y: NDArray[np.float64]
    apart: NDArray[np.float64]
    length: float
    width: float
    cover: float
    on_disc: bool

    @classmethod
    def over(
        cls,
        course: Course,
        level: float,
        length: float,
        begins: float,
        along: float,
        *,
        on_disc: bool,
    ) -> Patch:
        """Return the patch over a vessel at a level (disc radii) at a progress along the scale.

        ``begins`` is the progress at which it hides what lies behind.
        """
        path = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(course.x), np.diff(course.y)))])
        middle = path[nearest(course, level)]
        apart = np.linspace(-_EXTENT * length, _EXTENT * length, 13)
        apart = apart[(middle + apart >= 0) & (middle + apart <= path[-1])]
        return cls(
            x=np.interp(middle + apart, path, course.x),
            y=np.interp(middle + apart, path, course.y),
            apart=apart,
            length=length,
            width=float(course.radius[nearest(course, level)]) + 0.22,
            # Reaches the share that hides (0.7) where it should begin.
            cover=0.96 * float(smoothstep(begins - 0.80, begins + 0.38, along)),
            on_disc=on_disc,
        )

    def opacity(self, xs: Floats, ys: Floats, level: Floats, ragged: Floats) -> Floats:
        """Return how opaque it is at points, given their level and an unevenness."""
        off2 = np.full(xs.shape, np.float32(1e6))
        for x, y, apart in zip(self.x, self.y, self.apart, strict=True):
            across2 = ((xs - np.float32(x)) ** 2 + (ys - np.float32(y)) ** 2) / self.width**2
            np.minimum(off2, across2 + np.float32((apart / self.length) ** 2), out=off2)
        off = np.sqrt(off2) + np.float32(0.10) * ragged
        opaque = np.float32(self.cover) * (1 - smoothstep(0.40, 1.50, off))
        where = 1 - smoothstep(0.90, 1.0, level) if self.on_disc else smoothstep(0.98, 1.08, level)
        return np.asarray(opaque * where, np.float32)


@dataclass(frozen=True, eq=False)
class Veils:
    """All that lies in front of the vessels of a swollen disc.

    Parameters
    ----------
    seed : of the eye.
    halo : the veil of swollen fibres, part of which lies over the vessels.
    common : that part.
    patches : where it is dense enough to hide.
    """

    seed: int
    halo: Halo
    common: float
    patches: tuple[Patch, ...]

    @classmethod
    def of(cls, scene: Scene, halo: Halo, courses: list[Course], along: float) -> Veils:
        """Return the veils of an eye at a progress along the scale."""
        rng = scene.rng("swollen-margin veils")
        last = max(len(courses) - 1, 1)
        leaving, on_disc = rng.permutation(len(courses)), rng.permutation(len(courses))
        _spare_the_most_apart(leaving, courses)
        patches = []
        for n, course in enumerate(courses):
            place, size, when, place_on, size_on = rng.uniform(0, 1, 5)
            late = leaving[n] / last
            # The first sinks as stage 3 begins, the last as stage 5 does.
            begins = 2.86 + 1.99 * late**1.25
            level, length = 1.22 + 0.16 * late + 0.14 * place, 0.60 + 0.30 * size
            patches.append(Patch.over(course, level, length, begins, along, on_disc=False))
            begins = 3.82 + (1.4 + 0.4 * when) * on_disc[n] / last
            level, length = 0.50 + 0.24 * place_on, 0.62 + 0.25 * size_on
            patches.append(Patch.over(course, level, length, begins, along, on_disc=True))
        common = 0.15 + 0.25 * smoothstep(1.0, 3.0, along) + 0.20 * smoothstep(4.3, 5.4, along)
        return cls(scene.eye.seed, halo, float(common), tuple(patches))

    def over(self, x: ArrayLike, y: ArrayLike, opacity: Floats | None = None) -> Floats:
        """Return the share of a vessel's contrast that is lost at canonical points.

        Parameters
        ----------
        x, y : the points, degrees.
        opacity : the halo's opacity there, if it is known already.
        """
        xs, ys = np.asarray(x, np.float32), np.asarray(y, np.float32)
        known = self.halo.opacity(xs, ys) if opacity is None else opacity
        # The densest layer counts: thin ones over each other must not hide a vessel early.
        lost = np.float32(self.common) * known
        edge = Noise(self.seed, "swollen-margin veil edge", 0.32)
        for patch in self.patches:
            if patch.cover <= 0:
                continue
            reach = _EXTENT * patch.width
            box = _box(
                (xs > patch.x.min() - reach) & (xs < patch.x.max() + reach),
                (ys > patch.y.min() - reach) & (ys < patch.y.max() + reach),
            )
            if box is not None:
                px, py = xs[box], ys[box]
                opaque = patch.opacity(px, py, self.halo.level(px, py), edge.at(px, py))
                lost[box] = np.maximum(lost[box], opaque)
        return lost.astype(np.float32)


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
    at = [[nearest(course, level) for level in (1.15, 1.3, 1.45, 1.6)] for course in courses]
    points = np.array(
        [[c.x[k] + 1j * c.y[k] for k in ks] for c, ks in zip(courses, at, strict=True)]
    )
    apart = np.abs(points[:, None, :, None] - points[None, :, None, :]).min(axis=(2, 3))
    np.fill_diagonal(apart, np.inf)
    alone, last = int(apart.min(axis=1).argmax()), int(order.argmax())
    order[alone], order[last] = order[last], order[alone]


def nearest(course: Course, level: float) -> int:
    """Return the node of a course at a level, in disc radii from the disc's centre."""
    return int(np.argmin(np.abs(course.level - level)))
