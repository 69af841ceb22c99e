"""Myopic crescent: an arc of bare sclera beside the temporal edge of a normal-coloured disc.

The coats of a long eye end short of the disc. With it come a stretched, tessellated fundus,
straighter vessels and a disc that is narrower across (Wang and others 2021).
"""

from __future__ import annotations

import numpy as np

from server.rendering.crescents import finish_crescent
from server.rendering.disc import ANGLES, NASAL, TEMPORAL, around, towards
from server.rendering.disc_surface import edge_noise
from server.rendering.features import Painter, register
from server.rendering.scene import Scene


@register
class MyopicCrescent(Painter):
    """A temporal crescent in a stretched fundus, mistaken for a pale disc."""

    kind = "myopic-crescent"
    variants = ("plain",)
    floor = 0.3
    mimics = "pale-disc"

    def prepare(self, scene: Scene, variant: str, severity: float) -> None:
        disc = scene.disc
        rng = scene.rng("myopic-crescent build")
        place, spread = TEMPORAL + rng.normal(0.10, 0.20), rng.uniform(0.85, 1.15)
        wide, narrow = rng.uniform(1.3, 2.4), rng.uniform(0.08, 0.20)
        pigment, supine = rng.uniform(0.0, 0.8), rng.uniform(0.05, 0.22)
        # Narrower across, hinged at the nasal side: the crescent takes what is lost.
        disc.outline = disc.outline * (1 - narrow * severity * np.cos(ANGLES) ** 2)
        ragged = 1 + 0.10 * np.clip(edge_noise(scene.eye.seed, "myopic-crescent edge"), -2, 2)
        arc = np.clip(1.22 * around(place, spread) - 0.22, 0, 1) * ragged
        disc.crescent = disc.crescent + severity * wide * arc
        disc.beta = disc.beta * (1 - 0.8 * severity)
        disc.scleral_ring = disc.scleral_ring * (1 - 0.8 * severity)
        disc.crescent_pigment = np.maximum(
            disc.crescent_pigment * (1 - severity), pigment * severity * around(place, 0.8)
        )
        disc.margin_width = disc.margin_width + supine * severity * towards(NASAL, 1.5)
        disc.cup_softness = disc.cup_softness + 0.10 * severity * towards(TEMPORAL, 1.2)
        retina = scene.retina
        retina.tessellation += severity * max(1.10 - retina.tessellation, 0.0)
        retina.melanin *= 1 - 0.22 * severity
        retina.macular_darkness *= 1 - 0.15 * severity
        scene.change_vessels(
            artery_tortuosity=1 - 0.35 * severity,
            vein_tortuosity=1 - 0.35 * severity,
            artery_calibre=1 - 0.06 * severity,
            vein_calibre=1 - 0.06 * severity,
        )

    def paint_disc(self, scene: Scene, variant: str, severity: float) -> None:
        finish_crescent(scene)
