"""Macular mottling: the ordinary fine granularity of the epithelium, taken for drusen.

Lighter and darker grains of one size lie evenly over the whole macula without
an edge of their own; drusen are separate, yellow and brighter than anything near.
"""

from __future__ import annotations

import numpy as np

from server.rendering.features import Painter, register
from server.rendering.lesions import lift
from server.rendering.scene import Scene


@register
class MacularMottling(Painter):
    """Coarser granularity over the macula, within what healthy eyes show."""

    kind = "macular-mottling"
    variants = ("plain",)
    floor = 0.3
    mimics = "macular-change"

    def paint_retina(self, scene: Scene, variant: str, severity: float) -> None:
        crop = scene.about_fovea(13.0)
        if crop.empty:
            return
        xs, ys = scene.frame.degrees(crop)
        zone = np.exp(-(((xs * xs + ys * ys) / 52.0) ** 1.5))
        grain = 0.62 * scene.noise("macular-mottling grain", 0.36).over(scene.frame, crop)
        grain += 0.62 * scene.noise("macular-mottling fine", 0.20).over(scene.frame, crop)
        grain += 0.45 * scene.noise("macular-mottling patch", 0.85).over(scene.frame, crop)
        # Skewed a little to the dark: grains of pigment rather than specks of light.
        amount = 0.115 * severity * zone * (grain - 0.16 * (grain * grain - 1))
        lift(scene.linear[crop.slices], np.asarray(amount, np.float32), (1.55, 2.0, 1.8))
