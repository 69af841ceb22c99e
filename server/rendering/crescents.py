"""The crescent of bare sclera beside the disc of a tilted insertion or of a long eye.

``disc_surface`` lays down the bare sclera; here it gets what is left of the choroid in front
of it, a frayed pigmented outer border, and its place in the truth.
"""

from __future__ import annotations

import numpy as np

from server.rendering.disc import look_up
from server.rendering.eye import MM_PER_DEGREE
from server.rendering.lesions import MELANIN, absorb, smoothstep
from server.rendering.scene import Scene

_SEEN_DEG = 0.12
"""Narrower than this it is only the scleral ring that many discs have."""
_CHOROID = (0.10, 0.85, 0.80)


def finish_crescent(scene: Scene) -> None:
    """Give the crescent its texture, its mask and its greatest width."""
    disc = scene.disc
    scene.facts["crescent_width_mm"] = float(disc.crescent.max()) * MM_PER_DEGREE
    crop = disc.crop(scene.frame, 1.0, float(disc.crescent.max()) + 0.5)
    if crop.empty:
        return
    xs, ys = scene.frame.degrees(crop)
    dx, dy = xs - np.float32(disc.x), ys - np.float32(disc.y)
    theta = np.arctan2(dy, dx)
    beyond = np.hypot(dx, dy) - look_up(disc.outline, theta)
    width = look_up(disc.crescent, theta)
    out = beyond / np.maximum(width, np.float32(0.05))
    within = smoothstep(-0.02, 0.10, beyond) * (1 - smoothstep(0.92, 1.08, out))
    within *= np.minimum(width / np.float32(0.4), 1)
    choroid = scene.to_full_size(scene.layers.vessels)[crop.slices]
    patchy = scene.noise("crescent choroid", 0.9).over(scene.frame, crop)
    fine = scene.noise("crescent choroid", 0.35).over(scene.frame, crop)
    left = np.clip(0.50 + 0.35 * patchy + 0.20 * fine, 0, 1.2) * smoothstep(-0.1, 0.9, out)
    light = scene.linear[crop.slices]
    absorb(light, (within * (0.35 * left + 1.3 * left * choroid)).astype(np.float32), _CHOROID)
    mottle = np.clip(0.10 * patchy + 0.10 * fine, 0, 0.5) * smoothstep(0.55, 1.0, out)
    absorb(light, (within * mottle * (0.5 + scene.eye.pigmentation)).astype(np.float32), MELANIN)
    seen = np.where(width > _SEEN_DEG, width, 0)
    scene.add_mask("crescent", (beyond > 0) & (beyond < seen), crop)
