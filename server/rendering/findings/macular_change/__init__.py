"""Macular change: anything abnormal within the macula, from a few drusen to a scar.

Age-related degeneration is the leading example (drusen, pigment, atrophy, new
vessels under the retina, scar), diabetic exudate the other common one. One
module for each group of lesions; all lie under the retina's own vessels.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar

from server.rendering.features import Painter, register
from server.rendering.findings.macular_change.atrophy import paint_atrophy
from server.rendering.findings.macular_change.diabetic import paint_exudate
from server.rendering.findings.macular_change.drusen import paint_hard, paint_soft
from server.rendering.findings.macular_change.neovascular import paint_wet
from server.rendering.findings.macular_change.pigment import paint_clumps
from server.rendering.findings.macular_change.scar import paint_scar
from server.rendering.scene import Scene


@register
class MacularChange(Painter):
    """Lesions of the macula, by variant."""

    kind = "macular-change"
    variants = (
        "hard-drusen",
        "soft-drusen",
        "pigment-clumps",
        "atrophy",
        "wet",
        "scar",
        "diabetic-exudate",
    )
    floor: ClassVar[float] = 0.2
    # From here the truth counts the lesions of practically every eye as present.
    floors: ClassVar[Mapping[str, float]] = {
        "hard-drusen": 0.25,
        "pigment-clumps": 0.30,
        "diabetic-exudate": 0.28,
    }

    def prepare(self, scene: Scene, variant: str, severity: float) -> None:
        # A retina that is lifted, thinned or scarred has no pit to mirror the lamp.
        keep = {"hard-drusen": 0.9, "diabetic-exudate": 0.5}.get(variant, 0.25)
        scene.retina.foveal_reflex *= 1 - (1 - keep) * min(1.0, 1.6 * severity)

    def paint_retina(self, scene: Scene, variant: str, severity: float) -> None:
        if variant == "hard-drusen":
            paint_hard(scene, severity)
        elif variant == "soft-drusen":
            paint_soft(scene, severity)
            paint_hard(scene, 0.35 * severity)
        elif variant == "pigment-clumps":
            paint_soft(scene, 0.35 * severity)
            paint_clumps(scene, severity)
        elif variant == "atrophy":
            paint_soft(scene, min(0.55, 1.6 * severity))
            paint_hard(scene, min(0.55, 1.6 * severity))
            paint_atrophy(scene, severity)
        elif variant == "wet":
            paint_soft(scene, 0.45 * severity)
            paint_wet(scene, severity)
        elif variant == "scar":
            paint_hard(scene, 0.30 * severity)
            paint_scar(scene, severity)
        else:
            paint_exudate(scene, severity)
