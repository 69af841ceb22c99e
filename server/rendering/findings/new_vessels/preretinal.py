"""Blood between retina and vitreous: it settles into a boat with a level top and hides all behind.

The level is only roughly level: clots cling above it, the serum over it is stained,
its edge is crisp in one place and soft in another.
"""

from __future__ import annotations

import math

import numpy as np

from server.rendering.findings.new_vessels.placing import SPARED_DEG, Places
from server.rendering.frame import Crop
from server.rendering.lesions import (
    absorb,
    area_mm2,
    blend,
    blur,
    draw_ripples,
    grown,
    smoothstep,
    spots,
)
from server.rendering.scene import Scene

_ONSET = 0.28


def paint_blood(scene: Scene, places: Places, severity: float) -> None:
    """Paint one boat of blood, and sometimes a second, smaller one."""
    rng = scene.rng("new-vessels preretinal")
    second = rng.random() < 0.40
    below = rng.random() < 0.68
    for n in range(2):
        draws, normal = rng.uniform(0, 1, 8), rng.normal(0, 1, 4)
        # The second lies on the other side of the disc, or they would flow together.
        draws[5] = 0.0 if below == (n == 0) else 1.0
        if n == 0 or second:
            onset = _ONSET + 0.26 * n
            size = float(grown(severity, onset, 0.78 - 0.26 * n)) ** 0.7
            if severity > onset:
                _boat(scene, places, n, draws, normal, size)


def _boat(
    scene: Scene, places: Places, n: int, draws: np.ndarray, normal: np.ndarray, size: float
) -> None:
    half = (3.4 + 4.0 * draws[0]) * (1.0 if n == 0 else 0.55)
    depth = half * (0.40 + 0.45 * draws[1])
    x, y = _middle(scene, places, n, draws, half, depth)
    tilt = 0.055 * normal[0]
    half, depth = half * size, depth * size
    crop = scene.frame.crop(x, y, 1.35 * max(half, depth) + 2.0)
    if crop.empty or half < 0.05:
        return
    frame = scene.frame
    xs, ys = frame.degrees(crop)
    dx, dy = xs - np.float32(x), ys - np.float32(y)
    slow = scene.noise(f"new-vessels blood {n}", 2.2).over(frame, crop)
    mid = scene.noise(f"new-vessels blood {n}", 0.75).over(frame, crop)
    fine = scene.noise(f"new-vessels blood {n}", 0.28).over(frame, crop)
    far = scene.line_noise(f"new-vessels level {n}", 1.9)
    near = scene.line_noise(f"new-vessels level {n}", 0.45)
    at = frame.columns[crop.left : crop.right]
    # The level: tilted with the head, sagging in the middle, curling up where it wets the sides.
    u = (at - x) / max(half, 0.3)
    level = (
        (0.12 - 0.34 * draws[2]) * depth
        + tilt * (at - x)
        - 0.16 * size * np.clip(np.abs(u) - 0.6, 0, 1) ** 2
    )
    level = level + 0.13 * far.at(at) + 0.045 * near.at(at)
    crisp = np.clip(0.13 + 0.11 * far.at(at + 400.0), 0.04, 0.45)
    above = (level[None, :] - dy).astype(np.float32)
    top = smoothstep(-1.0, 1.0, -above / crisp[None, :].astype(np.float32))
    # Hull: a bowl, fuller to one side, its border bulging where it meets resistance.
    keel = 0.22 * (draws[3] - 0.5)
    hull = np.hypot(dx / half, np.where(dy > 0, dy, 0.9 * dy) / depth + keel * dx / half)
    border = np.float32(1) - hull
    border = border + np.float32(0.12) * slow + np.float32(0.026) * mid + np.float32(0.010) * fine
    soft = np.float32(0.10 / max(half, 0.6)) * np.clip(1 + 0.5 * mid, 0.3, 2)
    body = smoothstep(-1.0, 1.0, border / soft)
    cover = (body * top).astype(np.float32)
    amount = np.float32(min(1.0, 4 * size))
    # Stained serum over the level, and blood thinned out along the hull's side.
    serum = body * (1 - top) * np.exp(-np.maximum(above, 0) / np.float32(0.55 + 0.5 * draws[4]))
    serum = serum * np.clip(0.40 + 0.45 * slow + 0.18 * mid, 0, 1.2)
    clots = _clots(scene, n, crop, x, y, half, depth, draws)
    cover = np.maximum(cover, clots * (1 - np.float32(0.3)))
    light = scene.linear[crop.slices]
    sigma = 1.6 * frame.px_per_degree
    smooth = np.stack([blur(np.ascontiguousarray(light[..., c]), sigma) for c in range(3)], -1)
    blend(light, np.float32(0.97) * amount * cover, smooth)
    # Red cells sink: thickest at the bottom, where it is nearly black, thin near the level.
    sunk = np.clip((dy - level[None, :].astype(np.float32)) / np.float32(1.3 * depth), 0, 1)
    core = blur(cover, 0.25 * frame.px_per_degree)
    thick = cover * (0.62 + 0.62 * sunk**0.7) * (0.55 + 0.45 * core)
    thick = thick * np.clip(1 + 0.10 * slow + 0.07 * mid + 0.04 * fine, 0.5, 1.4)
    absorb(light, (1.25 * amount * thick + 0.42 * amount * serum).astype(np.float32))
    # The surface mirrors a little of the lamp.
    gloss = np.float32(0.010) * amount * cover * np.clip(0.4 + slow, 0, 2)
    for c, tint in enumerate((1.0, 0.55, 0.45)):
        light[..., c] += np.float32(tint) * gloss
    scene.add_mask("preretinal-blood", cover * amount, crop)
    for name in ("arterioles", "venules"):
        scene.masks[name][crop.slices] &= cover * amount < 0.7
    before = float(scene.facts.get("preretinal_blood_mm2", 0.0))
    scene.facts["preretinal_blood_mm2"] = round(before + area_mm2(cover * amount, frame), 4)


def _middle(
    scene: Scene, places: Places, n: int, draws: np.ndarray, half: float, depth: float
) -> tuple[float, float]:
    """Return where the boat lies: below, beside or above the disc, clear of a spared macula."""
    below = draws[5] < 0.5
    x = scene.disc.x + 9.0 * (draws[6] - 0.45)
    y = scene.disc.y + (5.5 + 4.0 * draws[7] if below else -(6.5 + 3.5 * draws[7]))
    if places.spares:
        far = math.hypot(x, y)
        need = SPARED_DEG + 0.3 + 1.12 * half
        if far < need:
            # Away from the fovea along the line through it.
            x, y = x * need / far, y * need / far
    return x, y


def _clots(
    scene: Scene, n: int, crop: Crop, x: float, y: float, half: float, depth: float,
    draws: np.ndarray,
) -> np.ndarray:  # fmt: skip
    """Return a few strands and clots that cling to the retina above and beside the pool."""
    rng = scene.rng(f"new-vessels clots {n}")
    count = 9
    cx = x + half * rng.uniform(-0.95, 0.95, count)
    cy = y - depth * (0.30 + np.abs(rng.normal(0, 0.22, count)))
    radius = 0.16 * np.exp(rng.normal(0, 0.5, count)) * min(1.0, half / 2)
    return spots(
        scene.frame, cx, cy, radius, edge=0.09, strength=rng.uniform(0.3, 1.0, count),
        aspect=rng.uniform(1.0, 3.0, count), turn=rng.normal(math.pi / 2, 0.5, count),
        ripples=draw_ripples(rng, count, 0.2), crop=crop,
    )  # fmt: skip
