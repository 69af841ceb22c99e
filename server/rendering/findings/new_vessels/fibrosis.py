"""Fibrous tissue: grey-white sheets and bands that follow ageing new vessels along the arcades."""

from __future__ import annotations

import math

import numpy as np

from server.rendering.findings.new_vessels.placing import Places
from server.rendering.frame import Crop, Floats
from server.rendering.lesions import grown, smoothstep
from server.rendering.scene import Scene
from server.rendering.strokes import Stroke, draw

_WHITE = (1.42, 0.56, 0.43)
_BANDS = 5


def paint_fibrosis(scene: Scene, places: Places, severity: float) -> None:
    """Paint bands from the disc outwards, with webs between them."""
    crop = scene.about_disc(15.0)
    if crop.empty:
        return
    frame = scene.frame
    cover, grain = _bands(scene, places, severity, crop)
    if not (cover > 0.02).any():
        return
    cloud = scene.noise("new-vessels fibrosis", 0.9).over(frame, crop)
    fine = scene.noise("new-vessels fibrosis", 0.25).over(frame, crop)
    thick = cover * np.clip(0.70 + 0.20 * cloud + 0.08 * fine + 0.30 * grain, 0.15, 1.05)
    thick = np.clip(thick, 0, 0.92).astype(np.float32)
    light = scene.linear[crop.slices]
    tint = 1.15 - 0.45 * scene.eye.pigmentation
    for channel in range(3):
        white = np.float32(_WHITE[channel] * tint)
        light[..., channel] += thick * (white - light[..., channel])
    scene.add_mask("fibrosis", thick, crop, threshold=0.28)
    for name in ("arterioles", "venules"):
        scene.masks[name][crop.slices] &= thick < 0.7


def _bands(scene: Scene, places: Places, severity: float, crop: Crop) -> tuple[Floats, Floats]:
    """Return the cover of all bands, and the strands within them (about -1 to 1)."""
    rng = scene.rng("new-vessels fibrosis bands")
    frame = scene.frame
    first = math.pi + rng.normal(0, 0.5)
    # The first band sits on the disc; others run out along the arcades.
    ways = [first, -1.25, 1.25, math.pi + 1.0, math.pi - 1.0]
    onsets = np.array([0.10, 0.22, 0.34, 0.50, 0.64])
    onsets[1:3] = onsets[1:3] if rng.random() < 0.5 else onsets[[2, 1]]
    body, edge, strands = [], [], []
    for n in range(_BANDS):
        lean, bow = rng.normal(0, 0.18), rng.normal(0, 0.25)
        length, width = rng.uniform(4.5, 9.5), rng.uniform(0.45, 1.05)
        if n == 0:
            length, width = rng.uniform(1.5, 3.5), rng.uniform(0.9, 1.6)
        wander = rng.normal(0, 1, (2, 3))
        offsets, thick = rng.uniform(-0.95, 0.95, 16), rng.uniform(0.4, 1.0, 16)
        there = n < 3 or rng.random() < 0.6
        size = float(grown(severity, onsets[n], 0.42))
        if size <= 0 or not there:
            continue
        path = _course(scene, places, float(ways[n]) + lean, length, bow, wander)
        if len(path) < 4:
            continue
        t = np.linspace(0, 1, len(path))
        born = np.asarray(smoothstep(0.0, 0.3, size * 1.3 - t), float)
        # Waisted like a stretched sheet: broad where it holds on, narrow between.
        hold = 0.62 + 0.38 * np.cos(2 * math.pi * (t * (1.2 + 0.4 * n) + 0.1 * n)) ** 2
        half = width * hold * born * (1 - 0.55 * t)
        body.append(Stroke(path, half, min(1.0, 3 * size)))
        step = np.gradient(path, axis=0)
        normal = np.column_stack([-step[:, 1], step[:, 0]])
        normal /= np.maximum(np.hypot(*normal.T), 1e-9)[:, None]
        for off, wide in zip(offsets, thick, strict=True):
            line = path + (off * half * (1 + 0.2 * np.sin(5 * t + 6 * off)))[:, None] * normal
            strands.append(Stroke(line, 0.055 * wide * born, 1.0))
        edge.append((path, half))
    cover = draw(frame, body, soft=0.38, crop=crop)
    ragged = scene.noise("new-vessels fibrosis edge", 0.7).over(frame, crop)
    ragged += 0.5 * scene.noise("new-vessels fibrosis edge", 0.28).over(frame, crop)
    cover = smoothstep(0.10, 0.80, cover + 0.13 * ragged * (cover > 0) * (1 - cover))
    lines = draw(frame, strands, soft=0.03, crop=crop)
    return cover.astype(np.float32), lines - np.float32(0.4)


def _course(
    scene: Scene, places: Places, way: float, length: float, bow: float, wander: np.ndarray
) -> np.ndarray:
    """Return the middle of a band: from the disc outwards, bending round the macula."""
    count = max(int(length / 0.22), 6)
    path = np.empty((count, 2))
    x, y = scene.from_disc(0.35 * scene.dd / 2, way)
    turn = way
    for n in range(count):
        path[n] = x, y
        t = n / count
        turn += 0.22 * (
            bow * 0.12 + 0.05 * float(np.dot(wander[0], np.sin(np.arange(1, 4) * 6 * t)))
        )
        # Along the arcades: above and below the fovea, never through it.
        if math.cos(way) > 0:
            turn += 0.22 * 0.10 * (-math.copysign(1.0, math.sin(way))) * (t - 0.25)
        x, y = x + 0.22 * math.cos(turn), y + 0.22 * math.sin(turn)
        if places.spares and math.hypot(x, y) < 11.2:
            return path[: max(n, 0)]
    return path
