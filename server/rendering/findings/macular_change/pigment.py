"""Pigment clumps: epithelium heaped up in one place and thinned in the next."""

from __future__ import annotations

import numpy as np

from server.rendering.frame import Crop, Floats
from server.rendering.lesions import MELANIN, absorb, area_mm2, grown, lift, smoothstep
from server.rendering.scene import Scene


def paint_clumps(
    scene: Scene,
    severity: float,
    *,
    x: float = 0.0,
    y: float = 0.0,
    reach: float = 2.6,
    layer: str = "macular-change clumps",
    thinning: bool = True,
    depth: float = 0.95,
) -> None:
    """Paint grey-black granular clumps, with pale thinned patches between.

    Parameters
    ----------
    x, y, reach : middle and spread, degrees.
    thinning : also paint the pale patches.
    depth : optical thickness of the pigment in green; more over pale tissue.
    """
    crop = scene.frame.crop(x, y, 2.6 * reach)
    if crop.empty:
        return
    if thinning:
        _thin(scene, crop, severity, x, y, reach, layer)
    islands = _islands(scene, crop, severity, x, y, reach, layer)
    # Grains within an island: coarse ones make its outline, fine ones its texture.
    grain = scene.noise(f"{layer} coarse", 0.42).over(scene.frame, crop)
    grain += 0.75 * scene.noise(f"{layer} fine", 0.19).over(scene.frame, crop)
    level = islands * (0.80 + 0.38 * severity) + np.float32(0.30) * grain - np.float32(0.20)
    thick = np.asarray(smoothstep(0.28, 0.80, level) * np.minimum(1.0, 3.0 * islands), np.float32)
    absorb(scene.linear[crop.slices], np.float32(depth) * thick, MELANIN)
    mask = scene.add_mask("pigment-clump", thick, crop, threshold=0.35)
    scene.facts["pigment_clump_mm2"] = round(float(mask.sum()) / scene.frame.px_per_mm**2, 4)


def _islands(
    scene: Scene, crop: Crop, severity: float, x: float, y: float, reach: float, layer: str
) -> Floats:
    """Return where clumps gather, 0 to 1: a few soft places, one after the other."""
    rng = scene.rng(layer)
    count = 11
    onset = 0.70 * np.linspace(0, 1, count) ** 0.9
    angle, far = rng.uniform(0, 2 * np.pi, count), reach * np.sqrt(rng.random(count))
    size = np.clip(rng.lognormal(np.log(0.20 * reach), 0.40, count), 0.22, 1.1)
    aspect, turn = rng.uniform(1.0, 2.4, count), rng.uniform(0, np.pi, count)
    began = grown(severity, onset, 0.30)
    xs, ys = scene.frame.degrees(crop)
    islands = np.zeros(crop.shape, np.float32)
    for k in range(count):
        if began[k] <= 0:
            continue
        cos, sin = np.cos(turn[k]), np.sin(turn[k])
        dx, dy = xs - (x + far[k] * np.cos(angle[k])), ys - (y + far[k] * np.sin(angle[k]) * 0.85)
        u, v = (dx * cos + dy * sin) / aspect[k] ** 0.5, (-dx * sin + dy * cos) * aspect[k] ** 0.5
        r2 = (u * u + v * v) / size[k] ** 2
        islands = np.maximum(islands, np.float32(began[k]) * np.exp(-r2).astype(np.float32))
    return islands


def _thin(
    scene: Scene, crop: Crop, severity: float, x: float, y: float, reach: float, layer: str
) -> None:
    """Lift irregular patches where the epithelium is depleted."""
    xs, ys = scene.frame.degrees(crop)
    zone = np.exp(-(((xs - x) ** 2 + ((ys - y) / 0.85) ** 2) / (1.2 * reach) ** 2))
    rough = scene.noise(f"{layer} thin", 0.75).over(scene.frame, crop)
    rough += 0.6 * scene.noise(f"{layer} thin fine", 0.3).over(scene.frame, crop)
    amount = smoothstep(0.35, 1.25, rough + 0.9 * zone - 0.35) * zone * min(1.0, 1.2 * severity)
    cover = np.asarray(amount, np.float32)
    lift(scene.linear[crop.slices], cover, (1.14, 1.55, 1.30))
    scene.facts["thinned_epithelium_mm2"] = round(area_mm2(cover, scene.frame), 4)
