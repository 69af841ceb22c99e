"""Blood, white spots, exudates and folds about a swollen disc.

They are no part of the scale of stages (it names none of them), so the haemorrhagic variant
may show them at any stage. Flames lie among the nerve fibres and take their direction; they
and the cotton-wool spots stay within some two disc diameters of the disc.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from server.rendering.disc import ANGLES, look_up
from server.rendering.fibres import half_turn
from server.rendering.findings.swollen_margin.halo import Halo
from server.rendering.frame import Crop
from server.rendering.lesions import absorb, draw_ripples, grown, smoothstep
from server.rendering.retinal_lesions import (
    paint_blots,
    paint_cotton_wool,
    paint_flames,
    paint_hard_exudates,
)
from server.rendering.scene import Scene
from server.rendering.strokes import Stroke, draw

_FLAMES = 22
_BLOTS = 9
_COTTON = 5
_EXUDATES = 46
_MACULA_KEPT_DEG = 10.6
"""Nothing of the swelling's marks is centred nearer to the fovea: what reaches the macula
would be a finding of its own."""


@dataclass(frozen=True)
class Mark:
    """Where a mark lies: beyond the margin (degrees) at an angle, and from when it is there."""

    beyond: float
    angle: float
    begins: float


def _places(
    scene: Scene, halo: Halo, rng: np.random.Generator, count: int, far: float, first: float
) -> list[Mark]:
    """Draw places of marks, each with the progress along the scale at which it begins."""
    draws = rng.uniform(0, 1, (count, 3))
    marks = []
    for k, (out, turn, when) in enumerate(draws):
        angle = 2 * math.pi * turn
        # The papillomacular side is nearly always spared.
        if math.cos(angle) > 0.80:
            angle += math.copysign(0.9, math.sin(angle))
        begins = first + (4.6 - first) * (0.75 * k / count + 0.25 * when)
        marks.append(Mark(-0.35 + far * out**1.5, angle, begins))
    return marks


def _clear_of_macula(x: ArrayLike, y: ArrayLike, length: ArrayLike) -> NDArray[np.bool_]:
    return np.asarray(np.hypot(x, y) - 0.5 * np.asarray(length) > _MACULA_KEPT_DEG)


def paint_haemorrhages(scene: Scene, halo: Halo, along: float) -> None:
    """Paint flames and a few blots, in front of the vessels."""
    crop = scene.about_disc(float(halo.edge.max()) + 8.0)
    if crop.empty:
        return
    rng = scene.rng("swollen-margin flames")
    bleeds = int(rng.uniform(0.55, 1.0) * _FLAMES)
    marks = _places(scene, halo, rng, _FLAMES, 3.8, 0.55)
    length = np.clip(1.45 * np.exp(rng.normal(0, 0.50, _FLAMES)), 0.45, 3.2)
    width = length * rng.uniform(0.10, 0.30, _FLAMES)
    size = grown(along, np.array([mark.begins for mark in marks]), 1.3)
    angle = np.array([mark.angle for mark in marks])
    away = np.interp(angle, ANGLES, halo.edge, period=2 * math.pi)
    away = away + np.array([mark.beyond for mark in marks])
    x, y = scene.disc.x + away * np.cos(angle), scene.disc.y + away * np.sin(angle)
    size *= _clear_of_macula(x, y, length) & (np.arange(_FLAMES) < bleeds)
    paint_flames(scene, crop, rng, x, y, length, width, size)
    _paint_blots(scene, halo, along, crop)


def _paint_blots(scene: Scene, halo: Halo, along: float, crop: Crop) -> None:
    """Paint a few rounder haemorrhages further out."""
    rng = scene.rng("swollen-margin blots")
    marks = _places(scene, halo, rng, _BLOTS, 5.5, 2.2)
    radius = 0.09 * np.exp(rng.normal(0, 0.45, _BLOTS))
    shape = draw_ripples(rng, _BLOTS, 0.14)
    aspect, turn = rng.uniform(1, 1.8, _BLOTS), rng.uniform(0, math.pi, _BLOTS)
    size = grown(along, np.array([m.begins for m in marks]), 1.2)
    points = [
        scene.from_disc(halo.edge.mean() + 0.5 + max(mark.beyond, 0.0), mark.angle)
        for mark in marks
    ]
    for n, (x, y) in enumerate(points):
        if not _clear_of_macula(x, y, 0.3):
            size[n] = 0
    xs, ys = np.array(points).T
    paint_blots(
        scene, crop, xs, ys, radius * size, np.ones(_BLOTS), edge=0.05, aspect=aspect, turn=turn,
        ripples=shape, layer="swollen-margin blots",
    )  # fmt: skip


def paint_cotton_wool_about(scene: Scene, halo: Halo, along: float) -> None:
    """Paint cotton-wool spots: swollen fibres where a small artery has closed."""
    crop = scene.about_disc(float(halo.edge.max()) + 9.0)
    if crop.empty:
        return
    rng = scene.rng("swollen-margin cotton wool")
    marks = _places(scene, halo, rng, _COTTON, 4.8, 1.5)
    count = int(rng.integers(0, _COTTON))
    length, width = rng.uniform(0.75, 1.35, _COTTON), rng.uniform(0.55, 0.95, _COTTON)
    size = grown(along, np.array([mark.begins for mark in marks]), 1.2)
    x, y = np.array([
        scene.from_disc(float(halo.edge.mean()) + 1.0 + max(mark.beyond, 0), mark.angle)
        for mark in marks
    ]).T  # fmt: skip
    size = size * (np.arange(_COTTON) < count) * _clear_of_macula(x, y, 2 * length)
    paint_cotton_wool(
        scene, crop, x.tolist(), y.tolist(), length.tolist(), width.tolist(), size.tolist(),
        layer="swollen-margin cotton",
    )  # fmt: skip


def paint_exudates(scene: Scene, halo: Halo, along: float) -> None:
    """Paint a few hard exudates where the swelling leaks, clear of the macula."""
    late = float(grown(along, 3.0, 1.6))
    rng = scene.rng("swollen-margin exudates")
    here = rng.random() < 0.55
    turn = rng.normal(0, 0.45, _EXUDATES)
    out = rng.gamma(2.2, 0.42, _EXUDATES)
    radius = 0.045 * np.exp(rng.normal(0, 0.40, _EXUDATES))
    begins = rng.uniform(3.0, 4.6, _EXUDATES)
    side = rng.choice([-0.75, 0.75])
    if not here or late <= 0:
        return
    crop = scene.about_disc(float(halo.edge.max()) + 6.0)
    if crop.empty:
        return
    angle = side + turn
    away = float(halo.edge.mean()) + 0.5 + out
    x, y = scene.disc.x + away * np.cos(angle), scene.disc.y + away * np.sin(angle)
    size = grown(along, begins, 1.0) * (np.hypot(x, y) > _MACULA_KEPT_DEG)
    paint_hard_exudates(scene, crop, x, y, radius * size, 0.8)


def paint_folds(scene: Scene, halo: Halo, along: float) -> None:
    """Paint concentric folds of the retina beside the disc (Paton), mostly temporal."""
    strength = float(grown(along, 2.3, 1.7))
    rng = scene.rng("swollen-margin folds")
    spacing, turn, spread = rng.uniform(0.30, 0.42), rng.normal(0.0, 0.25), rng.uniform(0.45, 0.8)
    own = rng.uniform(0.35, 1.0)
    crop = scene.about_disc(float(halo.edge.max()) + 5.0)
    if strength <= 0 or crop.empty:
        return
    xs, ys = scene.frame.degrees(crop)
    dx, dy = xs - np.float32(scene.disc.x), ys - np.float32(scene.disc.y)
    theta, r = np.arctan2(dy, dx), np.hypot(dx, dy)
    beyond = r - look_up(halo.edge, theta)
    wander = scene.noise("swollen-margin folds", 1.6).over(scene.frame, crop)
    wander += 0.35 * scene.noise("swollen-margin folds", 0.7).over(scene.frame, crop)
    phase = (beyond + 0.17 * wander) / np.float32(spacing) * np.float32(2 * math.pi)
    gaps = scene.noise("swollen-margin fold gaps", 1.1).over(scene.frame, crop)
    apart = half_turn(theta - np.float32(turn))
    where = np.exp(-((apart / spread) ** 2)) * smoothstep(0.5, 1.0, beyond)
    where = where * (1 - smoothstep(1.7, 2.9, beyond)) * np.clip(0.75 + 0.5 * gaps, 0, 1.3)
    # A fold is a narrow dark furrow with a pale crest beside it.
    wave = 0.65 * np.cos(phase) + 0.35 * np.cos(2 * phase + 0.6)
    line: NDArray[np.floating] = np.float32(0.095 * own * strength) * wave * where
    for channel, much in enumerate((0.55, 1.0, 1.0)):
        scene.linear[crop.slices][..., channel] *= 1 + np.float32(much) * line
    if own * strength > 0.25:
        shown = (where > 0.45) & (np.cos(phase) < -0.2)
        scene.add_mask("fold", shown, crop)


def paint_capillaries(scene: Scene, halo: Halo, along: float) -> None:
    """Paint the widened fine vessels on the swollen head, over its tissue."""
    crop = scene.disc.crop(scene.frame, 1.4, 0.5)
    if crop.empty:
        return
    rng = scene.rng("swollen-margin capillaries")
    count = 34
    strokes = []
    for angle, start, length, thick, begins in rng.uniform(0, 1, (count, 5)):
        bends = rng.normal(0, 0.30, 14)
        size = float(grown(along, 1.0 + 2.2 * begins, 1.4))
        if size <= 0:
            continue
        way = 2 * math.pi * angle
        radius = float(halo.edge.mean())
        x, y = scene.from_disc(radius * (0.25 + 0.6 * start), way)
        steps = 0.05 + 0.09 * length
        heading = way + np.cumsum(0.45 * bends)
        path = np.empty((15, 2))
        path[0] = x, y
        path[1:, 0] = x + np.cumsum(steps * np.cos(heading))
        path[1:, 1] = y + np.cumsum(steps * np.sin(heading))
        t = np.linspace(-1, 1, 15)
        radii = (0.016 + 0.016 * thick) * np.clip(1 - 0.7 * t * t, 0, None)
        strokes.append(Stroke(path, radii, size))
    cover = draw(scene.frame, strokes, soft=0.025, crop=crop)
    fade = 1 - 0.6 * float(smoothstep(4.3, 5.5, along))
    absorb(scene.linear[crop.slices], (0.34 * fade * cover).astype(np.float32), (0.5, 1.6, 1.4))
