"""Pale disc: the rim has lost its small vessels and with them its colour.

Signs that come together (Ahmad and Kanukollu, review of optic atrophy): loss of
pink, a sharp margin, few fine vessels on the disc, a thin nerve-fibre layer,
somewhat narrow arteries. After swelling the margin is blurred and greyish
instead, the cup filled and the vessels sheathed by glial tissue.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import ClassVar

import numpy as np

from server.rendering.disc import (
    ANGLES,
    INFERIOR,
    SUPERIOR,
    TEMPORAL,
    Profile,
    around,
    look_up,
    towards,
)
from server.rendering.features import Painter, register
from server.rendering.fibres import FibreDefect
from server.rendering.lesions import smoothstep
from server.rendering.rim_colour import redness_loss, rim_redness
from server.rendering.scene import Scene
from server.rendering.vessels.raster import rasterise

_MASK_FALL = 0.10
"""Fall of red over green from which a part of the rim is outlined as pale."""

_VISIBLE = 0.19
"""Fall of red over green at the floor: above the spread of normal rims (see ``visible_floors``)."""

_GLIA = (0.74, 0.30, 0.225)
_SHEATH = (0.95, 0.42, 0.32)


@register
class PaleDisc(Painter):
    """Loss of the rim's colour: all of it, or one sector."""

    kind = "pale-disc"
    variants = ("diffuse", "temporal", "upper-half", "lower-half", "after-swelling")
    floor = 0.28
    # Against a normally paler temporal rim a little loss there cannot be told.
    floors: ClassVar[Mapping[str, float]] = {"temporal": 0.40}

    def prepare(self, scene: Scene, variant: str, severity: float) -> None:
        disc = scene.disc
        healthy = rim_redness(scene)
        where = _where(variant)
        own = disc.pallor
        sought = _VISIBLE * min(severity / self.floors.get(variant, self.floor), 1.0)
        disc.pallor = np.clip(own + severity**0.72 * where, 0, 1)
        if redness_loss(healthy - rim_redness(scene)) < sought:
            _pale_until(scene, own, where, healthy, severity, sought)
        scene.facts["pallor_index"] = redness_loss(healthy - rim_redness(scene))
        spread = float(where.mean())
        if variant == "after-swelling":
            disc.margin_width = disc.margin_width + 0.42 * severity
            disc.cup = disc.cup * (1 - 0.55 * severity)
            disc.cup_depth *= 1 - 0.6 * severity
            disc.cup_softness = disc.cup_softness + 0.10 * severity
            disc.waxy = max(disc.waxy, 0.15 * severity)
        else:
            disc.margin_width = disc.margin_width * (1 - 0.55 * severity * where)
            disc.pores = min(1.0, disc.pores + 0.30 * severity * spread)
        scene.change_vessels(
            artery_calibre=1 - 0.20 * severity * spread,
            fine_disc_loss=min(1.0, 1.1 * severity * spread),
        )
        _thin_fibres(scene, variant, severity)

    def paint_disc(self, scene: Scene, variant: str, severity: float) -> None:
        crop = scene.disc.crop(scene.frame, 1.0, 1.2)
        if crop.empty:
            return
        xs, ys = scene.frame.degrees(crop)
        theta = np.arctan2(ys - scene.disc.y, xs - scene.disc.x)
        fall = look_up(scene.disc.pallor, theta) * scene.masks["rim"][crop.slices]
        scene.add_mask("pallor", fall, crop, threshold=_MASK_FALL)
        if variant == "after-swelling":
            _veil_with_glia(scene, severity)

    def paint_front(self, scene: Scene, variant: str, severity: float) -> None:
        if variant == "after-swelling":
            _sheathe_vessels(scene, severity)


def _pale_until(
    scene: Scene, own: Profile, where: Profile, healthy: Profile, severity: float, sought: float
) -> None:
    """Take as much more of the rim's blood as it needs to photograph visibly paler.

    A camera that burns the disc out in red, or a yellowish balance, swallows some of the
    loss: what a trained eye sees is the picture, so that is what severity is held to.
    """
    low, high = severity**0.72, 1.0 / float(where.max())
    for _ in range(9):
        middle = 0.5 * (low + high)
        scene.disc.pallor = np.clip(own + middle * where, 0, 1)
        if redness_loss(healthy - rim_redness(scene)) < sought:
            low = middle
        else:
            high = middle
    scene.disc.pallor = np.clip(own + high * where, 0, 1)


def _veil_with_glia(scene: Scene, severity: float) -> None:
    """Lay the dirty grey of scar tissue over the margin and its neighbourhood."""
    disc = scene.disc
    crop = disc.crop(scene.frame, 1.0, 2.2)
    xs, ys = scene.frame.degrees(crop)
    ragged = scene.noise("pale-disc glia", 0.9).over(scene.frame, crop)
    ragged += 0.6 * scene.noise("pale-disc glia", 0.35).over(scene.frame, crop)
    off = disc.level(xs, ys) - 1.0 + 0.045 * ragged
    # Steeper inwards: it is the edge that is smudged, out over the retina more than in.
    spread = np.where(off > 0, 0.26, 0.34)
    veil = np.exp(-((off / spread) ** 2)) * np.clip(0.80 + 0.18 * ragged, 0, 1.2)
    cover = np.clip(0.85 * severity * veil, 0, 1).astype(np.float32)
    tint = 1.20 - 0.55 * scene.eye.pigmentation
    light = scene.linear[crop.slices]
    for channel, grey in enumerate(_GLIA):
        light[..., channel] *= 1 - np.float32(0.62) * cover
        light[..., channel] += np.float32(grey * tint) * cover


def _sheathe_vessels(scene: Scene, severity: float) -> None:
    """Line the vessels on and beside the disc with white, in stretches."""
    vessels, disc = scene.vessels, scene.disc
    crop = disc.crop(scene.frame, 2.0, 0.4)
    if vessels is None or crop.empty:
        return
    xs, ys = scene.frame.degrees(crop)
    level = disc.level(xs, ys)
    stretch = scene.noise("pale-disc sheath", 1.4).over(scene.frame, crop)
    where = np.clip(0.55 + 0.45 * stretch, 0, 1) * (1 - smoothstep(1.1, 2.0, level))
    where = where * smoothstep(0.45, 0.8, level)
    cover = np.zeros(crop.shape, np.float32)
    scale = scene.frame.px_per_degree
    rows, columns = crop.slices
    for tree, opacity in vessels.trees:
        one = rasterise(tree, opacity, scene.frame, rows)
        gap = -one.inside[:, columns] / np.float32(scale)
        wide = smoothstep(0.07, 0.12, one.radius[:, columns] / np.float32(scale))
        line = np.exp(-(((gap - np.float32(0.02)) / np.float32(0.05)) ** 2)) * wide
        line *= one.opacity[:, columns] * (gap < 0.25)
        cover = np.maximum(cover, line.astype(np.float32))
    cover = (0.60 * severity * cover * where).astype(np.float32)
    tint = 1.20 - 0.55 * scene.eye.pigmentation
    light = scene.linear[crop.slices]
    for channel, white in enumerate(_SHEATH):
        light[..., channel] *= 1 - np.float32(0.70) * cover
        light[..., channel] += np.float32(white * tint) * cover


def _where(variant: str) -> Profile:
    """Return how strongly each direction of the rim is affected, 0 to 1."""
    if variant == "temporal":
        return np.asarray(smoothstep(0.0, 1.0, 1.75 * around(TEMPORAL, 1.02) - 0.1), float)
    if variant in ("upper-half", "lower-half"):
        middle = SUPERIOR if variant == "upper-half" else INFERIOR
        # The border runs about along the horizontal, soft over some twenty degrees.
        return np.asarray(smoothstep(-0.30, 0.30, np.cos(ANGLES - middle)), float)
    # Loss of the papillomacular bundle shows first: temporal fibres are the thinnest.
    return 0.68 + 0.32 * towards(TEMPORAL, 1.2)


def _thin_fibres(scene: Scene, variant: str, severity: float) -> None:
    if variant in ("diffuse", "after-swelling"):
        scene.fibres.strength *= 1 - 0.85 * severity
    elif variant == "temporal":
        scene.fibres.defects.append(FibreDefect(0.0, 0.75, 0.8 * severity))
    else:
        sign = -1 if variant == "upper-half" else 1
        scene.fibres.defects.append(FibreDefect(sign * math.pi / 2, 1.45, 0.85 * severity))
