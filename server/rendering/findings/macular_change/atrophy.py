"""Geographic atrophy: sharply bounded patches without epithelium, choroid laid bare.

A patch counts from 175 micrometres across, with a sharp edge and choroidal
vessels visible in it (reading-centre definition; NICE NG82). It grows by about
1.5 mm2 a year, spares the centre at first and surrounds it as a horseshoe
(AREDS).
"""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from server.rendering.eye import MM_PER_DEGREE
from server.rendering.findings.macular_change.surround import lift_towards, surrounding_light
from server.rendering.frame import Crop, Floats
from server.rendering.lesions import MELANIN, absorb, area_mm2, blend, blur, patch, smoothstep
from server.rendering.scene import Scene

LEAST_UM = 175.0

CHOROID_BLOOD = (0.40, 2.10, 1.90)
"""Blood behind the retina: a little less red is lost than in front of it."""


def paint_atrophy(scene: Scene, severity: float) -> None:
    """Paint patches that begin beside the fovea, join to a horseshoe and close over it."""
    frame = scene.frame
    crop = scene.about_fovea(8.5)
    if crop.empty:
        return
    cover = _cover(scene, severity, crop)
    light = scene.linear[crop.slices]
    blend(light, _mottled(scene, cover, crop), scene.bare_over(crop))
    around = surrounding_light(scene, crop)
    lift_towards(light, np.float32(0.22) * cover, (1.18, 1.60, 1.40), around, 1.0)
    _choroidal_vessels(scene, cover, light, crop)
    _dark_edge(scene, cover, light, crop)
    # The centre closes over last; until then it lies dark in the horseshoe.
    scene.add_mask("atrophy", cover, crop)
    area = area_mm2(cover, frame)
    scene.facts["atrophy_mm2"] = round(area, 4)
    labels, count = ndimage.label(cover > 0.5)
    largest = np.bincount(labels.ravel())[1:].max() / frame.px_per_mm**2 if count else 0.0
    scene.facts["atrophy_largest_um"] = round(2000 * float(np.sqrt(largest / np.pi)), 1)
    centre = _at_fovea(scene, cover, crop)
    scene.facts["atrophy_at_fovea"] = bool(centre > 0.5)


def _cover(scene: Scene, severity: float, crop: Crop) -> Floats:
    rng = scene.rng("macular-change atrophy")
    count = 17
    start = rng.uniform(0, 2 * np.pi)
    step = rng.normal(0.55, 0.22, count)
    # Patches come next to those that are there: the horseshoe fills by angle.
    side = np.where(np.arange(count) % 2 == 0, 1, -1)
    angle = start + side * np.cumsum(np.abs(step)) * 0.42
    away = np.clip(rng.normal(2.2, 0.75, count), 1.1, 4.6)
    size = np.clip(rng.normal(0.95, 0.35, count), 0.4, 1.7)
    onset = np.concatenate([[0.0], 0.10 + 0.62 * np.linspace(0, 1, count - 1) ** 0.9])
    began = np.asarray(smoothstep(0.0, 1.0, (severity - onset) / 0.5), float)
    # The first patch is past the least size almost at once, then creeps.
    least = 0.5 * LEAST_UM / (1000 * MM_PER_DEGREE)
    early = float(smoothstep(0.0, 0.14, severity))
    radius = size * began + np.where(onset == 0.0, 1.25 * least * early, 0.0)
    radius = radius * (0.8 + 0.55 * severity)
    outline = [
        (float(r * np.cos(a)), float(r * np.sin(a)), float(q))
        for a, r, q in zip(angle, away, radius, strict=True)
    ]
    closing = float(smoothstep(0.70, 1.0, severity))
    outline.append((0.0, 0.0, 1.7 * closing))
    ragged = 0.07 + 0.17 * min(1.0, severity * 1.4)
    return patch(
        scene.frame, scene.eye.seed, "macular-change atrophy", outline, edge=0.055,
        raggedness=ragged, cell=0.7, join=0.22, crop=crop,
    )  # fmt: skip


def _mottled(scene: Scene, cover: Floats, crop: Crop) -> Floats:
    """Leave thin islands and streaks of epithelium inside a patch."""
    rough = scene.noise("macular-change atrophy islands", 0.55).over(scene.frame, crop)
    rough += 0.5 * scene.noise("macular-change atrophy islands fine", 0.2).over(scene.frame, crop)
    return np.asarray(cover * np.clip(0.84 + 0.11 * rough, 0.45, 0.95), np.float32)


def _choroidal_vessels(scene: Scene, cover: Floats, light: Floats, crop: Crop) -> None:
    """Show the larger choroidal vessels that remain, some red and some bloodless."""
    course = scene.noise("macular-change choroid", 1.25).over(scene.frame, crop)
    course += 0.55 * scene.noise("macular-change choroid bends", 0.55).over(scene.frame, crop)
    other = scene.noise("macular-change choroid branches", 0.95).over(scene.frame, crop)
    # Lines where a smooth field passes zero wind, meet and part as the vessels do.
    net = np.exp(-((course / 0.24) ** 2)) + 0.7 * np.exp(-((other / 0.17) ** 2))
    filled = scene.noise("macular-change choroid filling", 2.2).over(scene.frame, crop)
    thick = cover * np.clip(net, 0, 1.1) * np.clip(0.21 + 0.12 * filled, 0.0, 0.5)
    absorb(light, np.asarray(thick, np.float32), CHOROID_BLOOD)


def _dark_edge(scene: Scene, cover: Floats, light: Floats, crop: Crop) -> None:
    """Heap a little pigment in places along the border."""
    wide = blur(cover, 0.22 * scene.frame.px_per_degree)
    border = np.clip(wide - cover, 0, 1) * 2.0
    where = scene.noise("macular-change atrophy border", 1.1).over(scene.frame, crop)
    amount = border * np.clip(0.10 + 0.30 * where, 0, 0.7)
    absorb(light, amount.astype(np.float32), MELANIN)


def _at_fovea(scene: Scene, cover: Floats, crop: Crop) -> float:
    column, row = scene.frame.to_pixels(0.0, 0.0)
    i, j = round(row) - crop.top, round(column) - crop.left
    if not (0 <= i < cover.shape[0] and 0 <= j < cover.shape[1]):
        return 0.0
    return float(cover[i, j])
