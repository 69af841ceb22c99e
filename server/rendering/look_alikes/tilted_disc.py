"""Tilted disc: an oval disc with one raised, softer end and a crescent at the other.

The nerve enters obliquely: the upper temporal side stands up and looks full, the lower nasal
side is drawn out, with a crescent of bare sclera and a paler fundus beyond it, and the
vessels may first run towards the temporal side (Witmer and others 2010).
"""

from __future__ import annotations

import numpy as np

from server.rendering.crescents import finish_crescent
from server.rendering.disc import ANGLES, INFERIOR, NASAL, around, look_up, towards
from server.rendering.features import Painter, register
from server.rendering.lesions import smoothstep
from server.rendering.scene import Scene


@register
class TiltedDisc(Painter):
    """An obliquely inserted disc, mistaken for a swollen one."""

    kind = "tilted-disc"
    variants = ("plain",)
    floor = 0.3
    mimics = "swollen-margin"

    def prepare(self, scene: Scene, variant: str, severity: float) -> None:
        disc = scene.disc
        rng = scene.rng("tilted-disc build")
        low = _low_end(scene)
        short, long = rng.uniform(0.27, 0.40) * severity, 0.05 * severity
        u, v = np.cos(ANGLES - low), np.sin(ANGLES - low)
        disc.outline = disc.outline / np.hypot(u / (1 - short), v / (1 + long))
        raised = towards(low + np.pi, 1.5)
        disc.margin_width = disc.margin_width + rng.uniform(0.36, 0.62) * severity * raised
        disc.height = disc.height + 0.75 * severity * raised
        disc.hyperaemia = np.clip(disc.hyperaemia + 0.28 * severity * raised, 0, 1)
        # The cup slopes away to the low end and has no steep wall there.
        disc.cup = disc.cup * (1 - severity * 0.55 * raised) * (1 - 0.25 * severity)
        disc.cup_softness = disc.cup_softness + severity * (0.05 + 0.18 * towards(low))
        disc.cup_depth *= 1 - 0.35 * severity
        wide, spread = rng.uniform(0.8, 1.6), rng.uniform(0.70, 0.95)
        arc = np.clip(1.25 * around(low, spread) - 0.25, 0, 1)
        disc.crescent = disc.crescent + wide * severity * arc
        disc.crescent_pigment = disc.crescent_pigment * (1 - severity)
        disc.beta = disc.beta * (1 - 0.7 * severity)
        # Situs inversus: the trunks set off towards the temporal side.
        inverse = rng.uniform(0.0, 0.42)
        scene.change_vessels(nasal_shift=-inverse * severity * disc.mean_radius)
        scene.kept[self.kind] = low

    def paint_retina(self, scene: Scene, variant: str, severity: float) -> None:
        # The sector beyond the low end is stretched and thinner of pigment.
        # It changes slowly, so the coarse grid will do.
        grid, disc = scene.layers.frame, scene.disc
        dx, dy = grid.x - np.float32(disc.x), grid.y - np.float32(disc.y)
        far = np.hypot(dx, dy)
        sector = look_up(towards(scene.kept[self.kind], 3.0), np.arctan2(dy, dx))
        cover = sector * smoothstep(0.5, 5.0, far) * np.exp(-far / np.float32(16.0))
        cover *= np.float32(0.42 * severity)
        scene.show_bare(scene.to_full_size(cover.astype(np.float32)))

    def paint_disc(self, scene: Scene, variant: str, severity: float) -> None:
        finish_crescent(scene)


def _low_end(scene: Scene) -> float:
    """Return the direction of the drawn-out end: mostly between nasal and inferior."""
    return float(0.5 * (INFERIOR + NASAL) + scene.rng("tilted-disc way").normal(0, 0.30))
