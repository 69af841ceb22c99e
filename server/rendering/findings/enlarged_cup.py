"""Enlarged cup: the rim thins, most above and below, until little of it is left.

What comes with it (Turgut 2017; Jonas and Budde): vertical elongation, a notch
below or above towards the temporal side, steep walls with visible pores,
vessels pushed nasally that dip out of sight at the edge, a wedge of lost nerve
fibres, a wider bare zone beside the disc, and in some a splinter haemorrhage
at the margin. The rim that remains keeps its colour.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from server.rendering.anatomy import cup_ratio_percentile
from server.rendering.disc import ANGLES, INFERIOR, SUPERIOR, around, look_up, towards
from server.rendering.features import Painter, register
from server.rendering.fibres import FibreDefect
from server.rendering.lesions import absorb, blur, grown, smoothstep
from server.rendering.scene import Scene
from server.rendering.strokes import draw, streak_bundle
from server.rendering.vessels.model import Floats

_FLOOR = 0.25


@register
class EnlargedCup(Painter):
    """A cup beyond the normal for the size of its disc, all round or with a notch."""

    kind = "enlarged-cup"
    variants = ("concentric", "inferior-notch", "superior-notch", "with-disc-haemorrhage")
    floor = _FLOOR

    def prepare(self, scene: Scene, variant: str, severity: float) -> None:
        disc = scene.disc
        vertical, horizontal = disc.cup_ratios()
        height_mm = float(scene.disc.facts()["disc_vertical_mm"])
        limit = 1.02 * cup_ratio_percentile(height_mm, 99.0)
        # Up to the visible floor the cup grows to the limit of the normal for
        # this size of disc, from there to all but no rim.
        first = min(severity / _FLOOR, 1.0)
        later = max(severity - _FLOOR, 0.0) / (1 - _FLOOR)
        notched = variant.endswith("notch")
        end = 0.88 if notched else 0.93
        start = max(vertical, limit - (0.05 if notched else 0.0))
        goal = vertical + first * (start - vertical) + later * (max(end, start) - start)
        wide = horizontal + 0.78 * (goal - vertical)
        disc.set_cup(goal, min(wide, 0.95 * goal + 0.05 * horizontal))
        if notched or variant == "with-disc-haemorrhage":
            depth = (0.05 * first + 0.15 * later) * (1.0 if notched else 0.6)
            disc.notch(_place(scene, variant), 0.36, depth)
        grow = severity * 0.85
        disc.cup_depth = disc.cup_depth + (1 - disc.cup_depth) * grow
        disc.cup_softness = disc.cup_softness * (1 - 0.62 * grow)
        disc.pores = disc.pores + (1 - disc.pores) * 0.8 * grow
        disc.beta = disc.beta + 0.75 * severity * towards(0.6, 1.5) * scene.rng(
            "enlarged-cup zone"
        ).uniform(0.2, 1.0)
        radius = disc.mean_radius
        bend = 0.07 * radius * severity
        place = _place(scene, variant)

        def bends(x: Floats, y: Floats) -> Floats:
            # Steepest where the rim is lost: vessels leave a notch like a bayonet.
            apart = np.angle(np.exp(1j * (np.arctan2(y - disc.y, x - disc.x) - place)))
            return np.asarray(bend * (1 + 1.3 * np.exp(-((apart / 0.45) ** 2))))

        def edge(x: Floats, y: Floats) -> Floats:
            # Asked when the vessels are laid out: the cup as it is then, notch and all.
            theta = np.arctan2(y - disc.y, x - disc.x).astype(np.float32)
            return np.asarray(disc.level(x, y) / look_up(disc.cup, theta), float)

        scene.change_vessels(
            nasal_shift=0.30 * radius * severity,
            cup_bend=bends if notched else bend,
            cup_edge=edge,
            cup_fade=float(smoothstep(0.15, 0.85, severity)),
            cup=replace(
                scene.anatomy,
                cup_ratio_vertical=float(np.clip(goal, 0.05, 0.95)),
                cup_ratio_horizontal=float(np.clip(wide, 0.05, 0.95)),
                cup_depth=disc.cup_depth,
            ),
        )
        self._lose_fibres(scene, variant, severity)

    def _lose_fibres(self, scene: Scene, variant: str, severity: float) -> None:
        rng = scene.rng("enlarged-cup fibres")
        half, other = rng.uniform(0.14, 0.26), rng.uniform(0.08, 0.16)
        scene.fibres.strength *= 1 - 0.45 * severity
        place = _place(scene, variant)
        place = place - 2 * np.pi if place > np.pi else place
        if variant != "concentric":
            amount = float(grown(severity, 0.05, 0.5))
            scene.fibres.defects.append(FibreDefect(place, half * (0.5 + severity), amount))
        late = float(grown(severity, 0.55, 0.4))
        if late > 0:
            scene.fibres.defects.append(FibreDefect(-place, other * (0.5 + severity), late))

    def paint_disc(self, scene: Scene, variant: str, severity: float) -> None:
        if not variant.endswith("notch"):
            return
        crop = scene.disc.crop(scene.frame)
        if crop.empty:
            return
        # The notch is where the cup reaches further out than a smooth oval would.
        xs, ys = scene.frame.degrees(crop)
        theta = np.arctan2(ys - scene.disc.y, xs - scene.disc.x)
        level = scene.disc.level(xs, ys)
        deep = (0.05 * min(severity / _FLOOR, 1.0) + 0.15 * severity) * around(
            _place(scene, variant), 0.36
        )
        outer = look_up(scene.disc.cup, theta)
        inner = outer - look_up(np.where(deep > 0.02, deep, 0.0), theta)
        scene.add_mask("notch", (level < outer) & (level > inner), crop)

    def paint_front(self, scene: Scene, variant: str, severity: float) -> None:
        if variant != "with-disc-haemorrhage":
            return
        disc = scene.disc
        crop = scene.about_disc(float(disc.outline.max()) + 2.5)
        if crop.empty:
            return
        rng = scene.rng("enlarged-cup haemorrhage")
        size = float(grown(severity, -0.02, 0.45))
        place = _place(scene, variant) + rng.normal(0, 0.12)
        edge = float(np.interp(place % (2 * np.pi), ANGLES, disc.outline, period=2 * np.pi))
        x, y = scene.from_disc(edge + 0.10, place)
        # A splinter: a few streaks side by side across the margin.
        strokes = streak_bundle(
            rng, x, y, disc.x, disc.y,
            count=14, length=2.0 * size, width=0.50 * size, radius=0.07 * size,
        )  # fmt: skip
        cover = draw(scene.frame, strokes, soft=0.04, crop=crop)
        fill = blur(cover, 0.09 * scene.frame.px_per_degree)
        absorb(scene.linear[crop.slices], 1.0 * cover + 0.5 * fill)
        scene.add_mask("haemorrhage", cover, crop, threshold=0.4)


def _place(scene: Scene, variant: str) -> float:
    """Return the angle of the notch or haemorrhage: inferotemporal, or superotemporal."""
    jitter = scene.rng("enlarged-cup place").normal(0, 0.12)
    if variant == "superior-notch":
        return SUPERIOR + 0.42 + jitter
    return INFERIOR - 0.42 + jitter
