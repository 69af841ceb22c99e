"""Lesions of a retina short of blood or leaking, whatever the disease: one painter each.

Microaneurysms, blot and flame haemorrhages, cotton-wool spots, hard exudates.
A painter takes the places, sizes and strengths of all of its items (arrays, one
entry an item, canonical degrees; size 0 leaves an item out), paints them over
``scene.linear`` and adds their mask. Where they lie and from when is the finding's
affair.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from server.rendering.fibres import fibre_direction
from server.rendering.frame import Crop, Floats
from server.rendering.lesions import Triple, absorb, blur, smoothstep, spots
from server.rendering.scene import Scene
from server.rendering.strokes import Stroke, draw

Array = NDArray[np.float64]

_COTTON_WHITE = (1.22, 0.40, 0.29)
_LIPID: Triple = (1.75, 3.5, 2.6)


def paint_microaneurysms(
    scene: Scene, crop: Crop, x: Array, y: Array, radius: Array, strength: ArrayLike
) -> None:
    """Paint dots: round, red, sharply edged, smaller than a vein is wide."""
    cover = spots(scene.frame, x, y, radius, edge=0.030, strength=strength, crop=crop)
    absorb(scene.linear[crop.slices], np.float32(0.62) * cover)
    scene.add_mask("microaneurysm", cover, crop, threshold=0.30)


def paint_blots(
    scene: Scene,
    crop: Crop,
    x: Array,
    y: Array,
    radius: Array,
    strength: Array,
    *,
    edge: ArrayLike,
    aspect: ArrayLike,
    turn: ArrayLike,
    ripples: Array,
    layer: str,
) -> None:
    """Paint blots: blood in the deeper retina, dark in the middle, edges from crisp to soft.

    Parameters
    ----------
    strength : 1 is dark; below 0.5 an old, thinning one.
    edge : half-width of each one's edge, degrees: so that they do not all look alike.
    layer : key of the noise that makes the blood uneven.
    """
    frame = scene.frame
    cover = spots(
        frame, x, y, radius, edge=edge, strength=strength, aspect=aspect, turn=turn,
        ripples=ripples, crop=crop,
    )  # fmt: skip
    core = spots(
        frame, x, y, 0.62 * radius, edge=0.45 * np.asarray(radius) + 1e-3, strength=strength,
        aspect=aspect, turn=turn, crop=crop,
    )  # fmt: skip
    rows, columns = np.nonzero(cover)
    x_here, y_here = frame.columns[crop.left + columns], frame.rows[crop.top + rows]
    uneven = scene.noise(f"{layer} clots", 0.22).at(x_here, y_here)
    thick = np.zeros_like(cover)
    thick[rows, columns] = cover[rows, columns] * np.clip(
        0.52 + 0.42 * core[rows, columns] + 0.13 * uneven, 0.15, 1.3
    )
    absorb(scene.linear[crop.slices], thick)
    scene.add_mask("haemorrhage", cover, crop, threshold=0.35)


def paint_flames(
    scene: Scene,
    crop: Crop,
    rng: np.random.Generator,
    x: Array,
    y: Array,
    length: Array,
    width: Array,
    size: Array,
) -> None:
    """Paint flames: blood among the nerve fibres, streaked along them, with frayed ends.

    Parameters
    ----------
    rng : drawn from in an amount that depends on the number of items only.
    length, width : of each when full grown, degrees.
    size : how far each has grown, 0 to 1.
    """
    each, steps = 13, 9
    shape = (len(x), each)
    across, bend = rng.normal(0, 0.38, shape), rng.normal(0, 0.05, (*shape, 2))
    shift, share = rng.uniform(-1, 1, shape), rng.uniform(0.35, 1.0, shape)
    thick, depth = rng.uniform(0.6, 1.3, shape), rng.uniform(0.55, 1.0, len(x))
    own = (length * (0.4 + 0.6 * size))[:, None] * share * (1 - 0.45 * np.minimum(abs(across), 1))
    middle = 0.34 * length[:, None] * shift * (1 - 0.6 * share)
    disc = scene.disc
    u, v = fibre_direction(x, y, disc.x, disc.y)
    side = across * width[:, None]
    start = np.stack(
        [
            x[:, None] + middle * u[:, None] - side * v[:, None],
            y[:, None] + middle * v[:, None] + side * u[:, None],
        ]
    )
    halves = []
    for k, way in enumerate((-1.0, 1.0)):
        path = np.empty((steps + 1, *start.shape))
        path[0] = start
        cos, sin, step = np.cos(bend[..., k]), np.sin(bend[..., k]), way * own / (2 * steps)
        for n in range(steps):
            du, dv = fibre_direction(path[n, 0], path[n, 1], disc.x, disc.y)
            path[n + 1, 0] = path[n, 0] + step * (du * cos - dv * sin)
            path[n + 1, 1] = path[n, 1] + step * (du * sin + dv * cos)
        halves.append(path)
    paths = np.concatenate([halves[0][::-1], halves[1][1:]])
    taper = np.clip(1 - np.abs(np.linspace(-1, 1, len(paths))) ** 1.6, 0, None)
    streaks, bodies = [], []
    for item in np.flatnonzero(size > 0):
        for k in range(each):
            path = paths[:, :, item, k]
            cover = depth[item] * min(4 * size[item], 1) * (0.5 + 0.5 * share[item, k])
            streaks.append(Stroke(path, 0.036 * thick[item, k] * taper, float(cover)))
            if k < 4:
                full = float(depth[item] * size[item])
                bodies.append(Stroke(path, 0.20 * width[item] * taper, full))
    fine = draw(scene.frame, streaks, soft=0.028, crop=crop)
    body = draw(scene.frame, bodies, soft=0.09, crop=crop)
    total = 0.85 * blur(body, 0.05 * scene.frame.px_per_degree) * (0.55 + 0.45 * fine)
    total += 0.55 * fine
    absorb(scene.linear[crop.slices], np.clip(total, 0, 1.2).astype(np.float32))
    scene.add_mask("haemorrhage", total, crop, threshold=0.30)


def paint_cotton_wool(
    scene: Scene,
    crop: Crop,
    x: Sequence[float],
    y: Sequence[float],
    length: Sequence[float],
    width: Sequence[float],
    size: Sequence[float],
    *,
    layer: str,
) -> None:
    """Paint cotton-wool spots: swollen nerve fibres, white and fluffy, over the vessels.

    Parameters
    ----------
    length, width : half axes across and along the fibres when full grown, degrees.
    size : how far each has grown, 0 to 1.
    layer : key of the noise that frays them.
    """
    total = np.zeros(crop.shape, np.float32)
    light = scene.linear[crop.slices]
    fluff_wide, fluff_fine = (scene.noise(f"{layer} fluff", cell) for cell in (0.34, 0.15))
    for cx, cy, long, wide, grown in zip(x, y, length, width, size, strict=True):
        part = scene.frame.crop(float(cx), float(cy), 2.2 * max(long, wide))
        if grown <= 0 or part.empty:
            continue
        xs, ys = scene.frame.degrees(part)
        du, dv = fibre_direction(cx, cy, scene.disc.x, scene.disc.y)
        way = math.atan2(float(dv), float(du)) + math.pi / 2
        dx, dy = xs - np.float32(cx), ys - np.float32(cy)
        scale = 0.5 + 0.5 * grown
        u = (dx * math.cos(way) + dy * math.sin(way)) / (long * scale)
        v = (-dx * math.sin(way) + dy * math.cos(way)) / (wide * scale)
        fluff = fluff_wide.over(scene.frame, part) + 0.4 * fluff_fine.over(scene.frame, part)
        level = np.sqrt(u * u + v * v) + 0.17 * fluff
        spot = grown * (1 - smoothstep(0.05, 1.30, level)).astype(np.float32)
        rows = slice(part.top - crop.top, part.bottom - crop.top)
        columns = slice(part.left - crop.left, part.right - crop.left)
        inside = total[rows, columns]
        if inside.shape == spot.shape:
            np.maximum(inside, spot, out=inside)
    if not total.any():
        return
    cover = np.clip(0.88 * total, 0, 1)
    tint = 1.22 - 0.55 * scene.eye.pigmentation
    for channel in range(3):
        light[..., channel] *= 1 - 0.72 * cover
        light[..., channel] += np.float32(_COTTON_WHITE[channel] * tint) * cover
    scene.add_mask("cotton-wool-spot", total, crop, threshold=0.40)
    # Swollen fibres lie in front of the vessels and hide them.
    for name in ("arterioles", "venules"):
        scene.masks[name][crop.slices] &= total < 0.75


def paint_hard_exudates(
    scene: Scene,
    crop: Crop,
    x: Array,
    y: Array,
    radius: Array,
    strength: ArrayLike,
    *,
    aspect: ArrayLike = 1.0,
    turn: ArrayLike = 0.0,
    ripples: Array | None = None,
) -> Floats:
    """Paint hard exudates: waxy yellow lipid with sharp edges. Return their cover."""
    radius = np.asarray(radius, float)
    cover = spots(
        scene.frame, x, y, radius, edge=np.minimum(0.035, 0.45 * radius + 1e-4),
        strength=strength, aspect=aspect, turn=turn, ripples=ripples, crop=crop,
    )  # fmt: skip
    rows, columns = np.nonzero(cover)
    part = cover[rows, columns][:, None]
    scene.linear[crop.slices][rows, columns] *= 1 + (np.array(_LIPID, np.float32) - 1) * part
    scene.add_mask("exudate", cover, crop, threshold=0.45)
    return cover
