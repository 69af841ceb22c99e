"""Choroidal naevus: a flat slate-grey mole beneath the retina, taken for peripheral pigment.

Usually 1 to 5 mm across (mean 3.0 in one series), with an edge that feathers
into the ground; drusen on it mean that it is old (review of choroidal naevi,
American Academy of Ophthalmology). Retinal vessels cross it undisturbed.
"""

from __future__ import annotations

import numpy as np

from server.rendering.eye import MM_PER_DEGREE
from server.rendering.features import Painter, register
from server.rendering.lesions import absorb, area_mm2, draw_ripples, lift, patch, smoothstep, spots
from server.rendering.scene import Scene

# Melanin deep in the choroid: most of the red that comes from there is lost, while
# the light that retina and epithelium send back in green and blue stays.
_SLATE = (1.00, 0.80, 0.62)


@register
class Naevus(Painter):
    """One soft-edged patch above and temporal of the macula."""

    kind = "naevus"
    variants = ("plain",)
    floor = 0.3
    mimics = "peripheral-pigment"

    def paint_retina(self, scene: Scene, variant: str, severity: float) -> None:
        rng = scene.rng("naevus")
        way, share = rng.uniform(-1.20, -0.52), rng.uniform(0.85, 1.12)
        size = share * (1.5 + 3.3 * severity) * float(smoothstep(0.0, 0.10, severity))
        far = 13.0 + 1.2 * size
        x, y = far * np.cos(way), far * np.sin(way)
        lobes = rng.uniform(0, 2 * np.pi, 4), rng.uniform(0.2, 0.5, 4), rng.uniform(0.5, 0.8, 4)
        soft, brown = rng.uniform(0.5, 1.15), rng.uniform(-0.12, 0.14)
        dense = rng.uniform(0.72, 1.05)
        count = 34
        turn, apart = rng.uniform(0, 2 * np.pi, count), np.sqrt(rng.random(count)) * 0.85
        um = np.clip(rng.lognormal(np.log(75.0), 0.45, count), 35.0, 210.0)
        onset = rng.uniform(0.0, 1.0, count)
        strength, ripples = rng.uniform(0.4, 0.9, count), draw_ripples(rng, count, 0.12, 4)
        crop = scene.frame.crop(x, y, 2.2 * size + 2.0)
        if crop.empty:
            return
        outline = [(x, y, 0.80 * size)] + [
            (x + size * f * np.cos(a), y + size * f * np.sin(a), size * q)
            for a, f, q in zip(*lobes, strict=True)
        ]
        cover = patch(
            scene.frame, scene.eye.seed, "naevus", outline, edge=soft,
            raggedness=0.55, cell=2.2, join=0.5 * size + 0.2, crop=crop,
        )  # fmt: skip
        uneven = scene.noise("naevus density", 1.3).over(scene.frame, crop)
        uneven += 0.5 * scene.noise("naevus density fine", 0.45).over(scene.frame, crop)
        # In a dark fundus a naevus stands out less.
        dark = float(smoothstep(0.0, 0.25, severity)) * (0.56 + 0.20 * severity)
        dark *= dense * (1.10 - 0.25 * scene.eye.pigmentation)
        thick = np.asarray(dark * cover * np.clip(1 + 0.12 * uneven, 0.5, 1.5), np.float32)
        light = scene.linear[crop.slices]
        absorb(light, thick, (_SLATE[0] - brown, _SLATE[1], _SLATE[2] + brown))
        # Drusen gather with the years.
        aged = float(smoothstep(28.0, 70.0, scene.eye.age)) * severity
        shown = smoothstep(0.0, 0.2, aged - onset)
        radius = um / (2000.0 * MM_PER_DEGREE) * np.sqrt(shown)
        drusen = spots(
            scene.frame, x + size * apart * np.cos(turn), y + size * apart * np.sin(turn), radius,
            edge=0.6 * radius, strength=strength, ripples=ripples, crop=crop,
        )  # fmt: skip
        lift(light, drusen, (1.75, 2.20, 1.60))
        scene.add_mask("naevus", cover * min(1.0, 8.0 * dark), crop)
        scene.facts["naevus_mm"] = round(
            2.0 * float(np.sqrt(area_mm2(cover, scene.frame) / np.pi)), 3
        )
