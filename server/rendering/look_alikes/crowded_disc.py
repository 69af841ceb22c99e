"""Crowded disc: small, without a cup, slightly soft on its nasal side; every vessel clear.

All nerve fibres of a small (often long-sighted) eye squeeze through a small opening, so that
the rim fills the disc and stands up a little, most on the nasal side. No halo, no hidden
vessel (Gale 2019).
"""

from __future__ import annotations

import numpy as np

from server.rendering.disc import NASAL, towards
from server.rendering.eye import MM_PER_DEGREE
from server.rendering.features import Painter, register
from server.rendering.lesions import smoothstep
from server.rendering.scene import Scene

_SMALL_MM = (1.28, 1.48)
"""Vertical diameter of a small disc: the lowest few per cent of normal eyes."""


@register
class CrowdedDisc(Painter):
    """A small full disc, mistaken for a swollen one."""

    kind = "crowded-disc"
    variants = ("plain",)
    floor = 0.3
    mimics = "swollen-margin"

    def prepare(self, scene: Scene, variant: str, severity: float) -> None:
        disc = scene.disc
        rng = scene.rng("crowded-disc build")
        height = float(np.ptp(disc.outline * np.sin(np.arange(360) * np.pi / 180)))
        goal = min(rng.uniform(*_SMALL_MM) / MM_PER_DEGREE / height, 0.94)
        soft, pink = rng.uniform(0.7, 1.2), rng.uniform(0.04, 0.16)
        # The disc closes in about the place where the vessels come out.
        shrink = 1 - (1 - goal) * float(smoothstep(0.0, 1.0, severity))
        disc.outline = disc.outline * shrink
        disc.x += 0.25 * (1 - shrink) * disc.mean_radius * float(np.sign(disc.x))
        full = float(smoothstep(0.0, 0.55, severity))
        disc.cup = disc.cup * (1 - 0.96 * full)
        disc.cup_depth *= 1 - 0.9 * full
        disc.cup_softness = disc.cup_softness + 0.10 * full
        disc.pores *= 1 - full
        for name in ("alpha", "beta", "crescent_pigment", "scleral_ring"):
            setattr(disc, name, getattr(disc, name) * (1 - 0.9 * full))
        nasal = towards(NASAL, 1.6)
        disc.margin_width = disc.margin_width + 0.30 * soft * severity * nasal
        disc.height = disc.height + severity * (0.25 + 0.35 * nasal)
        disc.hyperaemia = np.clip(disc.hyperaemia + pink * severity, 0, 1)
        # A thick rim of a small disc hides its depth: it is evenly pink, nasal side too.
        even = 0.5 * severity
        disc.blood = disc.blood + even * (0.9 * disc.blood.mean() - disc.blood)
