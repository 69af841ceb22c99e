"""Disc drusen: calcified bodies in the nerve's head make it lumpy, full and yellowish.

A scalloped edge, small or no cup, yellow refractile bodies (the deeper ones only felt as
lumps), no redness, and every vessel in sight over a clear peripapillary retina
(Optic nerve head drusen, Review of Optometry, year not seen; Gale 2019).
"""

from __future__ import annotations

import math

import numpy as np

from server.rendering.disc import ANGLES, NASAL
from server.rendering.features import Painter, register
from server.rendering.lesions import draw_ripples, grown, smoothstep, spots
from server.rendering.scene import Scene

_BODIES = 44
_LUMPS = 9


@register
class DiscDrusen(Painter):
    """Drusen of the disc, mistaken for swelling."""

    kind = "disc-drusen"
    variants = ("plain",)
    floor = 0.3
    mimics = "swollen-margin"

    def prepare(self, scene: Scene, variant: str, severity: float) -> None:
        disc = scene.disc
        rng = scene.rng("disc-drusen build")
        full = float(smoothstep(0.0, 0.6, severity))
        disc.cup = disc.cup * (1 - 0.90 * full)
        disc.cup_depth *= 1 - 0.9 * full
        disc.cup_softness = disc.cup_softness + 0.12 * full
        disc.pores *= 1 - full
        places = np.sort(rng.uniform(0, 2 * math.pi, _LUMPS)) + rng.normal(0, 0.1, _LUMPS)
        height, width = rng.uniform(0.2, 1.0, _LUMPS), rng.uniform(0.13, 0.26, _LUMPS)
        scallop = np.zeros(360)
        for place, up, wide in zip(places, height, width, strict=True):
            apart = np.angle(np.exp(1j * (ANGLES - place)))
            # Lumps meet in notches: the upper envelope, not the sum.
            scallop = np.maximum(
                scallop, up * np.sqrt(np.clip(1 - (apart / (2 * wide)) ** 2, 0, 1))
            )
        disc.outline = disc.outline * (1 + severity * (0.22 * scallop - 0.09))
        disc.margin_width = disc.margin_width + severity * (0.02 + 0.10 * (scallop > 0.5))
        disc.margin_width = _rounded(disc.margin_width)
        disc.height = disc.height + 0.5 * severity
        disc.blood = disc.blood * (1 - 0.22 * severity)
        for name in ("alpha", "beta", "crescent_pigment", "scleral_ring"):
            setattr(disc, name, getattr(disc, name) * (1 - 0.8 * full))

    def paint_disc(self, scene: Scene, variant: str, severity: float) -> None:
        disc = scene.disc
        crop = disc.crop(scene.frame, 1.1, 0.6)
        if crop.empty:
            return
        rng = scene.rng("disc-drusen bodies")
        out = np.sqrt(rng.uniform(0.04, 0.98, _BODIES))
        # They crowd on the nasal half, in clusters, most near the margin.
        angle = np.where(
            rng.random(_BODIES) < 0.65, rng.normal(NASAL, 0.9, _BODIES),
            rng.uniform(0, 2 * math.pi, _BODIES),
        )  # fmt: skip
        radius = 0.24 * np.exp(rng.normal(0, 0.40, _BODIES))
        buried = rng.uniform(0, 1, _BODIES)
        begins = rng.uniform(-0.15, 0.75, _BODIES)
        shape = draw_ripples(rng, _BODIES, 0.07)
        edge = np.interp(angle % (2 * math.pi), ANGLES, disc.outline, period=2 * math.pi)
        x = disc.x + edge * out * np.cos(angle)
        y = disc.y + edge * out * np.sin(angle)
        size = grown(severity, begins, 0.35)
        lit = rng.uniform(0, 2 * math.pi)
        drawn = radius * (0.35 + 0.65 * size) * (size > 0)
        strength = size * (1 - 0.80 * buried)
        body = spots(
            scene.frame, x, y, drawn, edge=0.05 + 0.12 * buried, strength=strength,
            ripples=shape, crop=crop,
        )  # fmt: skip
        glint = spots(
            scene.frame, x + 0.35 * drawn * math.cos(lit), y + 0.35 * drawn * math.sin(lit),
            0.55 * drawn, edge=0.06, strength=strength, crop=crop,
        )  # fmt: skip
        foot = spots(
            scene.frame, x - 0.30 * drawn * math.cos(lit), y - 0.30 * drawn * math.sin(lit),
            1.18 * drawn, edge=0.10, strength=size * (1 - 0.4 * buried), crop=crop,
        )  # fmt: skip
        xs, ys = scene.frame.degrees(crop)
        light = scene.linear[crop.slices]
        warm = 1 - smoothstep(0.85, 1.15, disc.level(xs, ys))
        yellow = np.float32(0.35 * severity) * warm.astype(np.float32)
        for channel, (base, shade, shine, tint) in enumerate(
            ((1.24, 0.10, 0.22, 0.02), (1.66, 0.26, 0.50, 0.26), (1.30, 0.30, 0.60, -0.05))
        ):
            light[..., channel] *= 1 + np.float32(tint) * yellow
            light[..., channel] *= 1 - np.float32(shade) * np.clip(foot - body, 0, 1)
            light[..., channel] *= (
                1 + np.float32(base - 1) * body + np.float32(shine) * glint * body
            )
        scene.add_mask("disc-drusen", body, crop, threshold=0.28)
        scene.facts["disc_drusen_count"] = int((strength > 0.28).sum())


def _rounded(profile: np.ndarray) -> np.ndarray:
    """Average a profile over some degrees, closing the circle."""
    span = np.arange(-6, 7)
    return np.asarray(profile[(np.arange(360)[:, None] + span[None, :]) % 360].mean(axis=1))
