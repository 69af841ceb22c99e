"""Reflexes of the retina's wet surface: foveal pit, macular ring, the sheen of the young.

The inner limiting membrane mirrors the camera's lamp wherever it happens to
face it: at the bottom of the foveal pit, round its rim, and in silky patches
along the arcuate bundles. With age the surface dulls and they go.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from server.rendering.anatomy import Anatomy
from server.rendering.eye import Eye
from server.rendering.frame import Floats, Frame
from server.rendering.lesions import smoothstep
from server.rendering.noise import LineNoise, Noise, octaves
from server.rendering.retina import RetinaLook
from server.rendering.streams import stream

_SHEEN = (0.115, 0.135, 0.105)


def surface_reflexes(eye: Eye, look: RetinaLook, veil: Floats, frame: Frame) -> Floats:
    """Return the strength of mirror reflexes on the coarse grid, 0 to about 1.5.

    Parameters
    ----------
    veil : thickness of the nerve fibres over the same grid (the sheen follows it).
    """
    silk, ring = _mirrors(eye, frame)
    sheen = np.float32(1.15 * look.lustre) * silk * np.minimum(veil * np.float32(0.9), 1.1)
    sheen += np.float32(max(look.lustre - 0.15, 0.0)) * ring
    return np.asarray(sheen, np.float32)


@lru_cache(maxsize=2)
def _mirrors(eye: Eye, frame: Frame) -> tuple[Floats, Floats]:
    """Return where an eye's surface faces the lamp: along the fibres, and round the macula.

    Kept for the eye's other severities, which dull the surface but do not turn it.
    """
    rng = stream(eye.seed, "reflexes")
    patchy = Noise(eye.seed, "sheen patches", 3.2).over(frame)
    xs, ys = frame.x, frame.y
    ecc = np.sqrt(xs * xs + ys * ys)
    # Two slopes of the rippled surface: it mirrors where both are near zero.
    slope_a = octaves(eye.seed, "sheen slope a", (2.4, 0.9), (1.0, 0.6), frame)
    slope_b = octaves(eye.seed, "sheen slope b", (3.2, 0.6), (1.0, 0.4), frame)
    silk = np.exp(-(slope_a * slope_a / 0.85 + slope_b * slope_b / 1.3))
    # Dimples of the surface break the silk up.
    silk *= np.clip(0.85 + 0.35 * Noise(eye.seed, "sheen dimples", 0.4).over(frame), 0.1, 1.6)
    # Silky patches lie along the thick bundles and the arcades, not over the fovea.
    silk *= smoothstep(3.0, 7.0, ecc) * smoothstep(-0.8, 1.0, patchy + 0.2)

    # Ring at the rim of the fovea's slope, taller than the light reaches everywhere.
    radius = rng.normal(4.3, 0.45)
    oval = rng.uniform(1.05, 1.35)
    ring_r = np.sqrt((xs / np.float32(oval)) ** 2 + ys * ys)
    angle = np.arctan2(ys, xs)
    arc = LineNoise(eye.seed, "macular ring", 0.9, 2 * math.pi).at(angle)
    wobble = LineNoise(eye.seed, "macular ring radius", 0.7, 2 * math.pi).at(angle)
    thickness = rng.uniform(0.35, 0.95)
    off = (ring_r - np.float32(radius) * (1 + np.float32(0.09) * wobble)) / np.float32(thickness)
    # The ring has a crisp inner edge and fades outwards.
    ring = np.exp(-np.where(off < 0, off * off * 2.2, off * off * 0.45))
    # Never a whole circle: the surface mirrors in stretches.
    ring = ring * np.clip(0.25 + 0.80 * arc, 0, 1.4) * np.clip(0.65 + 0.5 * patchy, 0.1, 1.5)
    ring = np.asarray(ring * np.float32(rng.uniform(0.15, 0.85)), np.float32)
    for array in (silk, ring):
        array.setflags(write=False)
    return silk, ring


def add_sheen(linear: Floats, sheen: Floats, eye: Eye) -> None:
    """Add the mirrored lamp to linear light, in place (any grid, same shape)."""
    scale = 0.85 + 0.3 * (1 - eye.pigmentation)
    for c in range(3):
        linear[..., c] += np.float32(_SHEEN[c] * scale) * sheen


def add_foveal_reflex(
    linear: Floats, eye: Eye, anatomy: Anatomy, look: RetinaLook, frame: Frame
) -> None:
    """Add the small reflex of the foveal pit at full size, in place.

    Just over half of eyes show a dot, the others a partial ring or sickle.
    """
    crop = frame.crop(0.0, 0.0, 1.4)
    if crop.empty:
        return
    rng = stream(eye.seed, "foveal reflex")
    dot, x, y, size, tilt = rng.random(), *rng.normal(0, 0.07, 2), *rng.random(2)
    amount = rng.uniform(0.25, 1.0) * look.foveal_reflex
    youth = float(smoothstep(0.0, 1.0, (70 - eye.age) / 50.0))
    amount *= 0.15 + 0.85 * youth * (0.4 + 0.6 * min(anatomy.lustre * 1.3, 1.0))
    xs, ys = frame.degrees(crop)
    dx, dy = xs - np.float32(x), ys - np.float32(y)
    r = np.sqrt(dx * dx + dy * dy)
    angle = np.arctan2(dy, dx)
    if dot < 0.55:
        sharp = 0.045 + 0.06 * size
        reflex = np.exp(-((r / sharp) ** 2)) + 0.30 * np.exp(-((r / (3.2 * sharp)) ** 2))
    else:
        radius, thick = 0.22 + 0.30 * size, 0.05 + 0.04 * tilt
        open_to = 2 * math.pi * tilt
        arc = smoothstep(-0.7, 0.6, np.cos(angle - open_to))
        reflex = 0.75 * np.exp(-(((r - radius) / thick) ** 2)) * (0.12 + 0.88 * arc)
        reflex += 0.20 * np.exp(-((r / 0.08) ** 2))
    light = linear[crop.slices]
    for c, colour in enumerate((0.20, 0.11, 0.065)):
        light[..., c] += np.float32(colour * amount) * reflex
