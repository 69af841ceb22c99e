"""Collaterals: widened old capillaries that lead blood round a blocked vein.

On the disc (optociliary, to the choroid) and, when marked, across the retina from vein to
vein. A few quiet loops as wide as a small vein, of even calibre, without a fringe.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from server.rendering.eye import MM_PER_DEGREE
from server.rendering.features import Painter, register
from server.rendering.fine_vessels import VENOUS, blood_columns, paint_columns
from server.rendering.lesions import grown
from server.rendering.scene import Scene
from server.rendering.strokes import Stroke
from server.rendering.vessels import grow
from server.rendering.vessels.model import Tree

_ON_DISC = 3
_ACROSS = 3


@register
class Collaterals(Painter):
    """Bypass vessels on the disc; when marked, also from vein to vein temporally."""

    kind = "collaterals"
    variants = ("plain",)
    floor = 0.3
    mimics = "new-vessels"

    def paint_front(self, scene: Scene, variant: str, severity: float) -> None:
        veins = grow(scene.eye, scene.anatomy).veins
        strokes = _on_disc(scene, veins, severity) + _across(scene, veins, severity)
        if not strokes:
            return
        points = np.concatenate([stroke.points for stroke in strokes])
        low, high = points.min(axis=0) - 1.0, points.max(axis=0) + 1.0
        crop = scene.frame.crop_box(float(low[0]), float(low[1]), float(high[0]), float(high[1]))
        if crop.empty:
            return
        cover = blood_columns(scene, strokes, crop, soft=0.03)
        paint_columns(scene, cover, 0.82, VENOUS, crop)
        scene.add_mask("collateral", cover, crop)
        widest = max(float(stroke.radii.max()) for stroke in strokes)
        scene.facts["collateral_widest_um"] = round(2000 * MM_PER_DEGREE * widest, 1)


def _on_disc(scene: Scene, veins: Tree, severity: float) -> list[Stroke]:
    """Return loops that leave a vein near the middle of the disc and dive at its margin."""
    rng = scene.rng("collaterals disc")
    anatomy = scene.anatomy
    level = anatomy.disc_level(veins.x, veins.y)
    count = int(rng.integers(2, _ON_DISC + 1))
    # The first where the disc is emptiest, temporally, above or below.
    base = rng.choice([-1.0, 1.0]) * rng.uniform(0.35, 1.1)
    strokes = []
    for n in range(_ON_DISC):
        start_angle = base * (1.0, -1.0, 2.2)[n] + rng.normal(0, 0.25)
        turn, size = rng.choice([-1.0, 1.0]) * rng.uniform(0.9, 1.8), rng.uniform(0.085, 0.125)
        bulge, wave = rng.uniform(0.05, 0.30), rng.normal(0, 1, 3)
        start_level, end_level = rng.uniform(0.2, 0.5), rng.uniform(0.95, 1.06)
        to_vein = rng.random() < 0.4
        width = float(grown(severity, 0.0 if n == 0 else 0.12 + 0.16 * n, 0.40)) ** 0.7
        if n >= count or width <= 0:
            continue
        radius = float(anatomy.disc_radius(start_angle))
        start = _nearest(
            veins, scene.from_disc(start_level * radius, start_angle), (level > 0.1) & (level < 0.7)
        )
        end_angle = start_angle + turn
        end_r = float(anatomy.disc_radius(end_angle))
        end = np.array(scene.from_disc(end_level * end_r, end_angle))
        if to_vein:
            end = _nearest(veins, (float(end[0]), float(end[1])), (level > 0.6) & (level < 1.15))
        middle = scene.from_disc(
            (0.78 + bulge) * float(anatomy.disc_radius(start_angle + 0.5 * turn)),
            start_angle + 0.5 * turn,
        )
        strokes.append(_bypass(start, np.array(middle), end, size * width, 0.10 * wave, dive=True))
    return strokes


def _across(scene: Scene, veins: Tree, severity: float) -> list[Stroke]:
    """Return winding bypasses from upper to lower veins, temporal of the macula."""
    rng = scene.rng("collaterals across")
    upper = ~veins.lower & (veins.y < -1.5)
    lower = veins.lower & (veins.y > 1.5)
    strokes = []
    for n in range(_ACROSS):
        x, size = 6.5 + 2.6 * n + rng.normal(0, 0.8), rng.uniform(0.070, 0.100)
        bow, wave = rng.uniform(0.3, 1.6), rng.normal(0, 1, 3)
        there = n == 0 or rng.random() < 0.5
        width = float(grown(severity, 0.50 + 0.08 * n, 0.30)) ** 0.7
        if width <= 0 or not there:
            continue
        wide = veins.radius > 0.045
        start = _nearest(veins, (x, -3.5), upper & wide)
        end = _nearest(veins, (x + 0.8, 3.5), lower & wide)
        middle = (start + end) / 2 + np.array([bow, 0.0])
        strokes.append(_bypass(start, middle, end, size * width, 0.22 * wave, dive=False))
    return strokes


def _nearest(
    veins: Tree, point: tuple[float, float], among: NDArray[np.bool_]
) -> NDArray[np.float64]:
    far = np.hypot(veins.x - point[0], veins.y - point[1]) + np.where(among, 0.0, 99.0)
    node = int(np.argmin(far))
    return np.array([veins.x[node], veins.y[node]])


def _bypass(
    start: NDArray[np.float64],
    middle: NDArray[np.float64],
    end: NDArray[np.float64],
    radius: float,
    wave: NDArray[np.float64],
    *,
    dive: bool,
) -> Stroke:
    """Return a winding course of even width through three points.

    ``dive`` narrows the last stretch, where the vessel sinks at the disc's margin.
    """
    t = np.linspace(0, 1, 40)[:, None]
    # A parabola through the three, then corkscrew turns that vanish at both ends.
    points = start * (1 - t) * (1 - 2 * t) + middle * 4 * t * (1 - t) + end * t * (2 * t - 1)
    step = np.gradient(points, axis=0)
    normal = np.column_stack([-step[:, 1], step[:, 0]])
    normal /= np.maximum(np.hypot(*normal.T), 1e-9)[:, None]
    turns = sum(w * np.sin((2.0 * k + 3.0) * math.pi * t[:, 0] + k) for k, w in enumerate(wave))
    points = points + (turns * np.sin(math.pi * t[:, 0]) ** 0.7)[:, None] * normal
    even = np.full(len(points), radius) * (1 + 0.07 * np.sin(17 * t[:, 0]))
    if dive:
        even = even * np.clip((1.03 - t[:, 0]) / 0.14, 0.35, 1)
    return Stroke(points, even)
