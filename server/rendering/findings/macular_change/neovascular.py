"""New vessels under the macula (wet degeneration).

Signs (AREDS and reading-centre lists): a grey-green area under the retina,
blood under the retina or the epithelium, fluid, exudate at the fluid's edge.
All of it lies under the retina's own vessels, which stay visible over it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from server.rendering.blurring import gaussian
from server.rendering.findings.macular_change.surround import lift_towards, surrounding_light
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

_REACH = 8.5

Blob = tuple[float, float, float]


@dataclass(frozen=True)
class Site:
    """One membrane: where, how large it will become, what it shows most of."""

    scene: Scene
    crop: Crop
    around: Floats
    x: float
    y: float
    size: float
    severity: float
    bloody: float
    """0.5 to 1.5: some bleed, others leak."""

    @property
    def light(self) -> Floats:
        """The light under the crop, to be changed in place."""
        return self.scene.linear[self.crop.slices]


def paint_wet(scene: Scene, severity: float) -> None:
    """Paint a membrane with its fluid, blood and exudate."""
    crop = scene.about_fovea(_REACH)
    if crop.empty:
        return
    rng = scene.rng("macular-change wet")
    x, y = rng.normal(0.0, 0.9, 2)
    size, bloody = rng.uniform(1.0, 1.6), rng.uniform(0.5, 1.5)
    # Small but there at once, then steadily larger.
    size *= 0.30 * min(1.0, 5 * severity) + 0.95 * float(smoothstep(-0.1, 1.05, severity))
    site = Site(scene, crop, surrounding_light(scene, crop), x, y, size, severity, bloody)
    _fluid(site)
    _membrane(site)
    _blood(site)
    _edge_exudate(site)


def _fluid(site: Site) -> None:
    """Raise a blister: detail behind it blurs, its slope carries a faint line."""
    scene, crop = site.scene, site.crop
    rng = scene.rng("macular-change wet fluid")
    dome = patch(
        scene.frame, scene.eye.seed, "macular-change fluid",
        list(lobes(rng, site.x, site.y, 2.1 * site.size, 4, 0.35)),
        edge=0.40, raggedness=0.25, cell=1.6, join=1.2, crop=crop,
    )  # fmt: skip
    amount = np.float32(min(1.0, 2.2 * site.severity))
    light = site.light
    smooth = gaussian(light, 0.35 * scene.frame.px_per_degree)
    blend(light, np.float32(0.75) * amount * dome, smooth)
    # A cloudy layer of fluid: a little darker, and half the foveal dip is gone.
    lift_towards(light, np.float32(0.8) * amount * dome, (0.88, 0.95, 1.02), site.around, 0.35)
    slope = dome * (1 - dome) * 4
    lift(light, np.float32(0.5) * amount * slope, (1.04, 1.12, 1.12))
    scene.add_mask("subretinal-fluid", dome * min(1.0, 6 * site.severity), crop)


def _membrane(site: Site) -> None:
    scene, crop = site.scene, site.crop
    rng = scene.rng("macular-change wet membrane")
    cover = patch(
        scene.frame, scene.eye.seed, "macular-change membrane",
        list(lobes(rng, site.x, site.y, 0.95 * site.size, 3, 0.45)),
        edge=0.20, raggedness=0.32, cell=0.7, join=0.5, crop=crop,
    )  # fmt: skip
    amount = float(smoothstep(0.0, 0.25, site.severity))
    uneven = scene.noise("macular-change membrane texture", 0.45).over(scene.frame, crop)
    uneven += 0.6 * scene.noise("macular-change membrane texture fine", 0.18).over(
        scene.frame, crop
    )
    shade = cover * np.float32(amount) * np.clip(0.80 + 0.16 * uneven, 0.2, 1.2)
    shade = np.asarray(shade, np.float32)
    lift_towards(site.light, shade, (0.80, 1.30, 1.22), site.around, 0.55)
    # Its rim is often a darker, broken ring of pigment.
    wide = blur(cover, 0.20 * scene.frame.px_per_degree)
    ring = np.clip(wide - cover, 0, 1) * 2.2 * amount * np.clip(0.5 + 0.6 * uneven, 0, 1.6)
    absorb(site.light, np.asarray(0.28 * ring, np.float32), MELANIN)
    scene.add_mask("membrane", cover * amount, crop)


def _blood(site: Site) -> None:
    """Lay blood along part of the membrane's edge, thick and dark or thin and red."""
    scene, crop = site.scene, site.crop
    rng = scene.rng("macular-change wet blood")
    count = 12
    start = rng.uniform(0, 2 * np.pi)
    turn = start + np.cumsum(rng.normal(0.32, 0.22, count))
    size = np.clip(rng.lognormal(np.log(0.52), 0.5, count), 0.15, 1.5) * site.bloody
    far = rng.normal(1.15, 0.30, count)
    began = grown(site.severity, 0.08 + 0.55 * np.linspace(0, 1, count), 0.35)
    size = size * (0.6 + 0.7 * site.severity) * began
    blobs = [
        (float(site.x + site.size * f * np.cos(a)), float(site.y + site.size * f * np.sin(a)),
         float(r))
        for a, r, f in zip(turn, size, far, strict=True)
    ]  # fmt: skip
    cover = patch(
        scene.frame, scene.eye.seed, "macular-change blood", blobs, edge=0.10, raggedness=0.26,
        cell=1.0, join=0.75, crop=crop,
    )  # fmt: skip
    # Deep under the epithelium it is brown and even, nearer the retina bright red
    # and thin at the edges.
    thick = scene.noise("macular-change blood depth", 1.1).over(scene.frame, crop)
    core = blur(cover, 0.40 * scene.frame.px_per_degree)
    depth = cover * np.clip(0.10 + 0.95 * core**1.4 + 0.14 * thick, 0.12, 1.15)
    absorb(site.light, np.asarray(1.0 * depth, np.float32))
    scene.add_mask("subretinal-blood", cover, crop)
    scene.facts["subretinal_blood_mm2"] = round(area_mm2(cover, scene.frame), 4)


def _edge_exudate(site: Site) -> None:
    """Leave lipid where the fluid ends."""
    scene, crop = site.scene, site.crop
    rng = scene.rng("macular-change wet exudate")
    count = 80
    middle = rng.uniform(0, 2 * np.pi)
    angle = middle + rng.normal(0, 0.95, count)
    far = 2.0 * site.size * (1 + rng.normal(0, 0.13, count))
    radius = np.clip(rng.lognormal(np.log(0.10), 0.5, count), 0.04, 0.34)
    onset = 0.26 + 0.5 * rng.random(count)
    ripples = draw_ripples(rng, count, 0.2, 5)
    radius = radius * (1.45 - 0.6 * site.bloody) * grown(site.severity, onset, 0.2) ** 0.6
    cover = spots(
        scene.frame, site.x + far * np.cos(angle), site.y + far * np.sin(angle),
        np.maximum(radius, 0.0), edge=0.035, strength=rng.uniform(0.5, 0.95, count),
        aspect=rng.uniform(1, 1.8, count), turn=angle + np.pi / 2, ripples=ripples, crop=crop,
    )  # fmt: skip
    lift_towards(site.light, cover, (1.55, 3.7, 2.7), site.around, 0.6)
    if (radius > 0).any():
        scene.add_mask("exudate", cover, crop, threshold=0.45)


def lobes(
    rng: np.random.Generator, x: float, y: float, size: float, count: int, loose: float
) -> Iterator[Blob]:
    """Yield (x, y, radius) of a central disc of about ``size`` with smaller ones round it."""
    angle = rng.uniform(0, 2 * np.pi, count)
    far, share = rng.uniform(0.4, 0.9, count) * loose * 2, rng.uniform(0.35, 0.75, count)
    yield float(x), float(y), float(0.72 * size)
    for a, f, q in zip(angle, far, share, strict=True):
        yield float(x + size * f * np.cos(a)), float(y + size * f * np.sin(a)), float(q * size)
