"""Dark fovea: an evenly dark, healthy macula, taken for blood or pigment.

Taller epithelium and dense yellow pigment darken the centre of every eye; in
some it looks almost black, yet its edge is gradual, it is round and centred, and
nothing in it has an outline.
"""

from __future__ import annotations

from server.rendering.features import Painter, register
from server.rendering.scene import Scene


@register
class DarkFovea(Painter):
    """More melanin and yellow pigment in the macula than most eyes have."""

    kind = "dark-fovea"
    variants = ("plain",)
    floor = 0.3
    mimics = "macular-change"

    def prepare(self, scene: Scene, variant: str, severity: float) -> None:
        scene.retina.macular_darkness *= 1 + 0.95 * severity
        scene.retina.macular_pigment *= 1 + 0.8 * severity
        scene.retina.foveal_reflex *= 1 - 0.3 * severity
