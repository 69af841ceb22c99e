"""New vessels under the macula (wet degeneration) and the disciform scar they leave.

Signs (AREDS and reading-centre lists): a grey-green area under the retina,
blood under the retina or the epithelium, fluid, exudate at the fluid's edge;
later a pale fibrous mound with pigment. All of it lies under the retina's own
vessels, which stay visible over it.
"""

from __future__ import annotations

import numpy as np

from server.rendering.eye import MM_PER_DEGREE
from server.rendering.findings.macular_change.pigment import paint_clumps
from server.rendering.frame import Crop, Floats
from server.rendering.lesions import (
    MELANIN,
    absorb,
    area_mm2,
    blend,
    blur,
    draw_ripples,
    grown,
    lift,
    patch,
    smoothstep,
    spots,
)
from server.rendering.scene import Scene

_REACH = 11.5

Blob = tuple[float, float, float]


def paint_wet(scene: Scene, severity: float) -> None:
    """Paint a membrane with its fluid, blood and exudate."""
    crop = scene.about_fovea(_REACH)
    if crop.empty:
        return
    rng = scene.rng("macular-change wet")
    x, y = rng.normal(0.0, 0.9, 2)
    size = rng.uniform(1.1, 1.7)
    spread = float(smoothstep(0.0, 1.0, severity)) * 0.8 + 0.35 * min(1.0, 4 * severity)
    _fluid(scene, crop, rng, x, y, size * (0.6 + 1.9 * spread), severity)
    _membrane(scene, crop, rng, x, y, size * (0.35 + 0.75 * spread), severity)
    _blood(scene, crop, rng, x, y, size * (0.45 + 1.0 * spread), severity)
    _edge_exudate(scene, crop, rng, x, y, size * (0.75 + 1.75 * spread), severity)


def _fluid(
    scene: Scene, crop: Crop, rng: np.random.Generator, x: float, y: float, size: float,
    severity: float,
) -> None:  # fmt: skip
    """Raise a blister: detail behind it blurs, its slope carries a faint line."""
    blobs = _lobes(rng, x, y, size, 4, 0.35)
    dome = patch(
        scene.frame, scene.eye.seed, "macular-change fluid", blobs, edge=0.35, raggedness=0.25,
        cell=1.6, join=1.2, crop=crop,
    )  # fmt: skip
    amount = min(1.0, 2.2 * severity)
    light = scene.linear[crop.slices]
    smooth = np.stack(
        [blur(light[..., c], 0.35 * scene.frame.px_per_degree) for c in range(3)], axis=-1
    )
    blend(light, np.float32(0.75 * amount) * dome, smooth)
    lift(light, np.float32(amount) * dome, (0.86, 0.90, 0.96))
    slope = dome * (1 - dome) * 4
    lift(light, np.float32(0.5 * amount) * slope, (1.03, 1.10, 1.10))
    scene.add_mask("subretinal-fluid", dome * (1.0 if severity > 0.1 else 0.0), crop)


def _membrane(
    scene: Scene, crop: Crop, rng: np.random.Generator, x: float, y: float, size: float,
    severity: float,
) -> None:  # fmt: skip
    blobs = _lobes(rng, x, y, size, 3, 0.45)
    cover = patch(
        scene.frame, scene.eye.seed, "macular-change membrane", blobs, edge=0.22,
        raggedness=0.30, cell=0.8, join=0.6, crop=crop,
    )  # fmt: skip
    amount = float(smoothstep(0.0, 0.25, severity))
    uneven = scene.noise("macular-change membrane texture", 0.5).over(scene.frame, crop)
    shade = cover * np.float32(amount) * np.clip(0.85 + 0.18 * uneven, 0.3, 1.2)
    light = scene.linear[crop.slices]
    lift(light, shade.astype(np.float32), (0.74, 1.12, 1.10))
    # Its rim is often a darker ring of pigment.
    wide = blur(cover, 0.20 * scene.frame.px_per_degree)
    ring = np.clip(wide - cover, 0, 1) * 2.2 * amount
    absorb(light, np.asarray(0.22 * ring, np.float32), MELANIN)
    scene.add_mask("membrane", cover * amount, crop)


def _blood(
    scene: Scene, crop: Crop, rng: np.random.Generator, x: float, y: float, size: float,
    severity: float,
) -> None:  # fmt: skip
    """Lay blood along part of the membrane's edge, thick and dark or thin and red."""
    start, onset = rng.uniform(0, 2 * np.pi), 0.12
    count = 9
    turn = start + np.cumsum(rng.uniform(0.20, 0.55, count))
    radii = rng.uniform(0.35, 0.95, count)
    far = rng.normal(1.0, 0.14, count)
    began = grown(severity, onset + 0.55 * np.linspace(0, 1, count), 0.35)
    blobs = [
        (float(x + size * f * np.cos(a)), float(y + size * f * np.sin(a)), float(r * g))
        for a, r, f, g in zip(turn, radii, far, began, strict=True)
    ]
    cover = patch(
        scene.frame, scene.eye.seed, "macular-change blood", blobs, edge=0.085, raggedness=0.32,
        cell=0.9, join=0.45, crop=crop,
    )  # fmt: skip
    thick = scene.noise("macular-change blood depth", 1.1).over(scene.frame, crop)
    core = blur(cover, 0.30 * scene.frame.px_per_degree)
    depth = cover * np.clip(0.35 + 0.55 * core + 0.14 * thick, 0.2, 1.2)
    absorb(scene.linear[crop.slices], np.asarray(0.95 * depth, np.float32))
    scene.add_mask("subretinal-blood", cover, crop)
    scene.facts["subretinal_blood_mm2"] = round(area_mm2(cover, scene.frame), 4)


def _edge_exudate(
    scene: Scene, crop: Crop, rng: np.random.Generator, x: float, y: float, size: float,
    severity: float,
) -> None:  # fmt: skip
    """Leave lipid where the fluid ends."""
    count = 70
    middle = rng.uniform(0, 2 * np.pi)
    angle = middle + rng.normal(0, 0.95, count)
    far = size * (1 + rng.normal(0, 0.07, count))
    radius = np.clip(rng.lognormal(np.log(0.10), 0.5, count), 0.04, 0.32)
    onset = 0.32 + 0.5 * rng.random(count)
    ripples = draw_ripples(rng, count, 0.2, 5)
    radius = radius * grown(severity, onset, 0.2) ** 0.6
    cover = spots(
        scene.frame, x + far * np.cos(angle), y + far * np.sin(angle), radius, edge=0.035,
        strength=rng.uniform(0.5, 0.95, count), aspect=rng.uniform(1, 1.8, count),
        turn=angle + np.pi / 2, ripples=ripples, crop=crop,
    )  # fmt: skip
    lift(scene.linear[crop.slices], cover, (1.48, 3.2, 2.5))
    if (radius > 0).any():
        scene.add_mask("exudate", cover, crop, threshold=0.45)


def paint_scar(scene: Scene, severity: float) -> None:
    """Paint a disciform scar: a pale fibrous mound, pigment in it, bare choroid round it."""
    crop = scene.about_fovea(_REACH)
    if crop.empty:
        return
    rng = scene.rng("macular-change scar")
    x, y = rng.normal(0.0, 0.6, 2)
    size = rng.uniform(1.5, 2.3) * (0.30 + 0.95 * float(smoothstep(0.0, 1.0, severity)))
    lobes = _lobes(rng, x, y, size, 5, 0.5)
    seed, frame = scene.eye.seed, scene.frame
    around = [(bx, by, 1.28 * br + 0.12) for bx, by, br in lobes]
    bare = patch(
        frame, seed, "macular-change scar bare", around, edge=0.09, raggedness=0.35, cell=1.1,
        join=0.5, crop=crop,
    )  # fmt: skip
    fibrous = patch(
        frame, seed, "macular-change scar", lobes, edge=0.16, raggedness=0.35, cell=0.9,
        join=0.6, crop=crop,
    )  # fmt: skip
    amount = float(smoothstep(0.0, 0.22, severity))
    scene.show_bare(np.float32(0.75 * amount) * bare, crop)
    light = scene.linear[crop.slices]
    strands = _strands(scene, crop)
    mound = fibrous * np.float32(amount) * np.clip(0.80 + 0.22 * strands, 0.25, 1.15)
    # White tissue hides the choroid: even out what lies behind, then lift it.
    smooth = np.stack([blur(light[..., c], 0.6 * frame.px_per_degree) for c in range(3)], axis=-1)
    blend(light, 0.8 * mound.astype(np.float32), smooth)
    lift(light, mound.astype(np.float32), (1.30, 2.05, 1.85))
    scene.add_mask("scar", np.maximum(fibrous, 0.9 * bare) * amount, crop)
    paint_clumps(
        scene, 0.25 + 0.6 * severity, reach=float(0.95 * size), layer="macular-change scar pigment",
        thinning=False,
    ) if severity > 0.08 else None  # fmt: skip
    scene.facts["scar_mm2"] = round(area_mm2(fibrous * np.float32(amount), frame), 4)


def _strands(scene: Scene, crop: Crop) -> Floats:
    """Return streaky texture: noise stretched along a direction that wanders."""
    coarse = scene.noise("macular-change strands", 0.9).over(scene.frame, crop)
    fine = scene.noise("macular-change strands fine", 0.28).over(scene.frame, crop)
    return np.asarray(0.6 * coarse + 0.55 * fine, np.float32)


def _lobes(
    rng: np.random.Generator, x: float, y: float, size: float, count: int, loose: float
) -> list[Blob]:
    """Return a central disc of about ``size`` with smaller ones round it."""
    angle = rng.uniform(0, 2 * np.pi, count)
    far, share = rng.uniform(0.4, 0.9, count) * loose * 2, rng.uniform(0.35, 0.75, count)
    lobes = [(float(x), float(y), float(0.72 * size))]
    for a, f, q in zip(angle, far, share, strict=True):
        lobes.append((float(x + size * f * np.cos(a)), float(y + size * f * np.sin(a)), q * size))
    return lobes


def diameter_um(area: float) -> float:
    """Return the diameter of a circle of an area in mm2, micrometres."""
    return float(2000 * np.sqrt(area / np.pi))


def degrees(micrometres: float) -> float:
    """Return micrometres of retina as degrees."""
    return micrometres / (1000 * MM_PER_DEGREE)
