"""Foveal sheen: the vivid reflexes of a young, healthy macula, taken for disease.

A bright dot or sickle in the pit, a ring where the retina is thickest and
silky patches that would move with the lamp: surface only, with nothing behind.
"""

from __future__ import annotations

import math

import numpy as np

from server.rendering.features import Painter, register
from server.rendering.lesions import add_light
from server.rendering.scene import Scene


@register
class FovealSheen(Painter):
    """Reflexes of the pit and of the macula's rim, stronger than most."""

    kind = "foveal-sheen"
    variants = ("plain",)
    floor = 0.3
    mimics = "macular-change"

    def prepare(self, scene: Scene, variant: str, severity: float) -> None:
        scene.retina.foveal_reflex *= 1 + 1.6 * severity
        scene.retina.lustre = min(1.2, scene.retina.lustre + 0.75 * severity)

    def paint_retina(self, scene: Scene, variant: str, severity: float) -> None:
        crop = scene.about_fovea(7.5)
        if crop.empty:
            return
        rng = scene.rng("foveal-sheen")
        radius, oval = rng.uniform(3.1, 4.6), rng.uniform(1.12, 1.40)
        width = rng.uniform(0.16, 0.34)
        side, open_to = rng.uniform(0, 2 * np.pi), rng.uniform(0.3, 1.2)
        xs, ys = scene.frame.degrees(crop)
        angle = np.arctan2(ys, xs)
        wobble = scene.line_noise("foveal-sheen edge", 0.5, 2 * math.pi).at(angle)
        arc = scene.line_noise("foveal-sheen arc", 0.8, 2 * math.pi).at(angle)
        off = (np.hypot(xs / oval, ys) - radius * (1 + 0.05 * wobble)) / width
        # Crisp towards the fovea, silky outwards, and broken where the lamp misses.
        ring = np.exp(-np.where(off < 0, off * off * 2.5, off * off * 0.25))
        shown = np.clip(0.36 + 0.62 * arc + open_to * 0.4 * np.cos(angle - side), 0, 1.5)
        silk = scene.noise("foveal-sheen silk", 0.45).over(scene.frame, crop)
        light = ring * shown * np.clip(1 + 0.30 * silk, 0.2, 1.8)
        # A fainter inner reflex follows the slope of the pit.
        inner = np.exp(-(((np.hypot(xs / oval, ys) - 0.42 * radius) / 0.30) ** 2))
        light = 0.65 * light + 0.12 * inner * np.clip(0.3 + 0.7 * arc, 0, 1.3)
        scale = 0.85 + 0.3 * (1 - scene.eye.pigmentation)
        add_light(
            scene.linear[crop.slices],
            np.asarray(severity * scale * light, np.float32),
            (0.066, 0.080, 0.064),
        )
