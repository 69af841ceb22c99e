"""The disciform scar that new vessels leave: fibrous tissue, pigment, bare choroid round it."""

from __future__ import annotations

import numpy as np

from server.rendering.blurring import gaussian
from server.rendering.findings.macular_change.neovascular import lobes
from server.rendering.findings.macular_change.pigment import paint_clumps
from server.rendering.findings.macular_change.surround import lift_towards, surrounding_light
from server.rendering.frame import Crop, Floats
from server.rendering.lesions import MELANIN, absorb, area_mm2, blend, blur, patch, smoothstep
from server.rendering.scene import Scene

_REACH = 8.5


def paint_scar(scene: Scene, severity: float) -> None:
    """Paint a pale mound with vague edges in a wider area of lost epithelium."""
    crop = scene.about_fovea(_REACH)
    if crop.empty:
        return
    frame, seed = scene.frame, scene.eye.seed
    rng = scene.rng("macular-change scar")
    x, y = rng.normal(0.0, 0.7, 2)
    size = rng.uniform(1.6, 2.5) * (
        0.22 * min(1.0, 5 * severity) + 0.95 * float(smoothstep(-0.1, 1.05, severity))
    )
    blobs = list(lobes(rng, x, y, size, 5, 0.6))
    wide = [(bx, by, 1.22 * br + 0.15) for bx, by, br in lobes(rng, x, y, 1.1 * size, 5, 0.7)]
    bare = patch(
        frame, seed, "macular-change scar bare", blobs + wide, edge=0.12, raggedness=0.40,
        cell=0.9, join=0.4, crop=crop,
    )  # fmt: skip
    fibrous = patch(
        frame, seed, "macular-change scar", blobs, edge=0.38, raggedness=0.55, cell=1.0,
        join=0.6, crop=crop,
    )  # fmt: skip
    amount = np.float32(smoothstep(0.0, 0.22, severity))
    light = scene.linear[crop.slices]
    around = surrounding_light(scene, crop)

    patchy = scene.noise("macular-change scar patches", 0.8).over(frame, crop)
    patchy += 0.6 * scene.noise("macular-change scar patches fine", 0.3).over(frame, crop)
    seen = bare * amount * np.clip(0.50 + 0.20 * patchy, 0.0, 0.85)
    scene.show_bare(np.asarray(seen, np.float32), crop)

    strands = _strands(scene, crop, float(rng.uniform(0, np.pi)))
    mound = fibrous * amount * np.clip(0.74 + 0.20 * strands + 0.07 * patchy, 0.05, 1.1)
    mound = np.asarray(mound, np.float32)
    # White tissue hides the choroid: even out what lies behind, then lift it.
    smooth = gaussian(light, 0.5 * frame.px_per_degree)
    blend(light, np.float32(0.65) * mound, smooth)
    lift_towards(light, mound, (1.52, 2.20, 2.00), around, 0.70)
    # A smoky brown hem of proliferated epithelium, here and there.
    hem = blur(bare, 0.35 * frame.px_per_degree) * (1 - bare) * 2 * amount
    absorb(light, np.asarray(0.35 * hem * np.clip(0.3 + 0.7 * patchy, 0, 1.5), np.float32), MELANIN)
    scene.add_mask("scar", np.maximum(fibrous, bare) * amount, crop)
    paint_clumps(
        scene,
        float(smoothstep(0.0, 0.2, severity)) * (0.45 + 0.45 * severity),
        x=float(x),
        y=float(y),
        reach=float(0.9 * size) + 0.3,
        layer="macular-change scar pigment",
        thinning=False,
        depth=1.75,
    )
    scene.facts["scar_mm2"] = round(area_mm2(np.maximum(fibrous, bare) * amount, frame), 4)


def _strands(scene: Scene, crop: Crop, angle: float) -> Floats:
    """Return fibrous texture: ridges of noise along a direction that wanders."""
    xs, ys = scene.frame.degrees(crop)
    bend = scene.noise("macular-change strands bend", 1.6).over(scene.frame, crop)
    across = xs * np.float32(np.sin(angle)) - ys * np.float32(np.cos(angle))
    ridges = scene.line_noise("macular-change strands", 0.30).at(across + 0.35 * bend)
    soft = scene.noise("macular-change strands soft", 0.6).over(scene.frame, crop)
    return np.asarray(0.55 * ridges + 0.8 * soft, np.float32)
