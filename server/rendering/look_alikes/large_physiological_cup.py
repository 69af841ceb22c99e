"""Large physiological cup: a large disc whose ordinary number of fibres leaves a large hollow.

The disc is big (above 4.1 mm2) and nearly round, the cup at least as wide as tall (horizontal
0.76, vertical 0.69 of the disc in the discs of Jonas's physiological macrocups), the rim even,
pink and whole, thickest below and thinnest temporally; no notch, no haemorrhage, no lost fibres.
Measured in its own diameters such a disc lies near the fovea (1.9 against 2.5).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from server.rendering.cup_sizes import cup_ratio_percentile
from server.rendering.disc import ANGLES, NASAL, Profile, towards
from server.rendering.eye import MM_PER_DEGREE
from server.rendering.features import Painter, register
from server.rendering.lesions import smoothstep
from server.rendering.scene import Scene

_NEAREST = (2.02, 0.06)
"""Distance of disc and fovea at full severity, in diameters of the disc: mean and spread.

A little above the 1.91 +- 0.07 of physiological macrodiscs, for the average eye of Jonas
2015 lies further from its fovea than theirs."""
_DIAMETER_MM = (2.36, 2.68)
_OVAL = 1.06
_VERTICAL = (0.69, 0.05)
_WIDER = 0.07
_BELOW_LIMIT = 0.965
"""The cup stays this far under the 97.5th percentile for its disc: no suspect."""


@register
class LargePhysiologicalCup(Painter):
    """A large healthy cup in a large healthy disc, mistaken for an enlarged one."""

    kind = "large-physiological-cup"
    variants = ("plain",)
    floor = 0.3
    mimics = "enlarged-cup"

    def prepare(self, scene: Scene, variant: str, severity: float) -> None:
        disc = scene.disc
        rng = scene.rng("large-physiological-cup build")
        nearest = float(np.clip(rng.normal(*_NEAREST), 1.90, 2.12))
        tall = float(np.clip(rng.normal(*_VERTICAL), 0.60, 0.78))
        wider = float(np.clip(rng.normal(_WIDER, 0.02), 0.035, 0.11))
        drop, aside = rng.uniform(0.010, 0.024), rng.uniform(0.015, 0.032)
        # Most of the size is there by the floor: a disc a trifle larger shows nothing.
        grown = 1 - (1 - severity) ** 2
        settled = float(smoothstep(0.0, self.floor, severity))

        disc.outline = _enlarged(disc.outline, scene.anatomy.disc_distance, nearest, grown)
        vertical, horizontal = disc.cup_ratios()
        height_mm = float(disc.facts()["disc_vertical_mm"])
        limit = _BELOW_LIMIT * cup_ratio_percentile(height_mm, 97.5)
        goal = min(max(tall, vertical), limit)
        up = vertical + grown * (goal - vertical)
        across = max(horizontal + grown * (goal + wider - horizontal), up + 0.8 * settled * wider)
        disc.cup = disc.cup + settled * (_round_cup(up, across, drop, aside) - disc.cup)
        now, _ = disc.cup_ratios()
        if now > limit:
            disc.set_cup(limit, max(limit, across))

        # A deep bowl with rounded walls; pores show on its floor as in any deep cup.
        disc.cup_depth = disc.cup_depth + grown * (0.85 - disc.cup_depth) * 0.8
        slope = 0.10 * (1 - 0.25 * np.cos(ANGLES - NASAL))
        disc.cup_softness = disc.cup_softness + grown * 0.7 * (slope - disc.cup_softness)
        disc.pores = disc.pores + 0.45 * grown * (1 - disc.pores) * rng.uniform(0.4, 1.0)
        disc.blood = disc.blood + 0.10 * grown * (1 - 0.5 * towards(NASAL))
        radius = disc.mean_radius
        scene.change_vessels(
            # The vessels leave the larger disc from behind its nasal rim, and bend
            # gently where they climb over the edge of the cup.
            nasal_shift=0.16 * radius * grown,
            cup_bend=0.020 * radius * grown,
            cup=replace(
                scene.anatomy,
                disc_width=scene.anatomy.disc_width * radius / (0.5 * scene.dd),
                disc_height=scene.anatomy.disc_height * radius / (0.5 * scene.dd),
                cup_ratio_vertical=float(np.clip(up, 0.05, 0.95)),
                cup_ratio_horizontal=float(np.clip(across, 0.05, 0.95)),
            ),
        )
        scene.facts["disc_macula_distance_dd"] = scene.anatomy.disc_distance / (2 * radius)


def _enlarged(outline: Profile, distance: float, nearest: float, grown: float) -> Profile:
    """Return the outline of a large disc, rounder as it grows, about the same centre."""
    mean = float(outline.mean())
    goal_mm = np.clip(distance * MM_PER_DEGREE / nearest, *_DIAMETER_MM)
    goal = max(float(goal_mm) / MM_PER_DEGREE / 2, mean)
    oval = np.hypot(np.cos(ANGLES) * _OVAL**0.5, np.sin(ANGLES) / _OVAL**0.5)
    ripple = 1 + 0.5 * (outline / mean * oval - 1)
    return np.asarray(outline + grown * (goal * ripple / oval - outline))


def _round_cup(vertical: float, horizontal: float, drop: float, aside: float) -> Profile:
    """Return the profile of an elliptical cup set a little up and temporally.

    So the rim is thickest below and thinnest temporally: inferior, superior,
    nasal, temporal in order.
    """
    # What the greater width takes off the nasal rim leaves that much room to shift in.
    room = min(1.0, 0.8 * max(horizontal - vertical, 0.0) / (aside + drop))
    u0, v0 = aside * room, -drop * room
    cos, sin = np.cos(ANGLES), np.sin(ANGLES)
    # Where a ray from the disc's centre leaves the shifted ellipse.
    a = (cos / horizontal) ** 2 + (sin / vertical) ** 2
    b = u0 * cos / horizontal**2 + v0 * sin / vertical**2
    c = (u0 / horizontal) ** 2 + (v0 / vertical) ** 2 - 1
    return np.asarray((b + np.sqrt(np.maximum(b * b - a * c, 0.0))) / a)
