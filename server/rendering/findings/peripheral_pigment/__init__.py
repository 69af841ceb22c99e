"""Peripheral pigment: the fundus of retinitis pigmentosa and of what resembles it.

Three signs go together: bone-spicule pigment in the mid-periphery, narrow
vessels, a waxy disc (Garg and others). The pigment lies in the inner retina
and covers the vessels; the macula is spared. In one series arterioles were
0.69 and venules 0.72 of the normal width (Nakagawa 2014).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from server.rendering.camera import aperture
from server.rendering.disc import Profile, look_up
from server.rendering.features import Painter, register
from server.rendering.findings.peripheral_pigment.extent import Extent
from server.rendering.findings.peripheral_pigment.ground import paint_ground
from server.rendering.findings.peripheral_pigment.net import draw_net, net_cover
from server.rendering.lesions import absorb, lift, smoothstep
from server.rendering.rim_colour import redness_loss, rim_redness
from server.rendering.scene import Scene
from server.rendering.vessels import grow
from server.rendering.vessels.layout import calibre_um

_ARTERY_LOSS, _VEIN_LOSS = 0.30, 0.28
"""Share of the width lost at full severity, at the disc (Nakagawa 2014)."""
_DENSE = (0.86, 1.00, 1.22)
"""Absorption of heaped melanin: black-brown, with less red left than in a thin layer."""
_PALE_FROM = 0.05
"""Fall of the rim's redness up to which the disc is waxy but not pale."""


@register
class PeripheralPigment(Painter):
    """Bone-spicule pigment with what goes with it: all round, in a sector, or sparse."""

    kind = "peripheral-pigment"
    variants = ("net", "sector", "sparse")
    floor: ClassVar[float] = 0.25
    floors: ClassVar[Mapping[str, float]] = {"sector": 0.3, "sparse": 0.35}

    def prepare(self, scene: Scene, variant: str, severity: float) -> None:
        _narrow(scene, Extent.of(scene.eye.seed, variant), severity)
        if variant != "sector":
            _wax(scene, severity, drained=variant == "net")
            scene.fibres.strength *= 1 - 0.55 * severity
            scene.retina.lustre *= 1 - 0.5 * severity

    def paint_retina(self, scene: Scene, variant: str, severity: float) -> None:
        ground = 1.0 if variant != "sparse" else 1.05
        _compare_widths(scene)
        paint_ground(scene, Extent.of(scene.eye.seed, variant), min(1.0, ground * severity))

    def paint_disc(self, scene: Scene, variant: str, severity: float) -> None:
        crop = scene.disc.crop(scene.frame, 1.0, 0.3)
        if crop.empty or variant == "sector":
            return
        xs, ys = scene.frame.degrees(crop)
        level = scene.disc.level(xs, ys)
        cover = np.asarray(1 - smoothstep(0.9, 1.05, level), np.float32)
        # The tint of wax: blue goes before pink does.
        wax = np.float32(smoothstep(0.0, 0.8, severity))
        lift(scene.linear[crop.slices], wax * cover, (1.0, 1.0, 0.80))
        fall: Profile = scene.kept[self.kind]
        if redness_loss(fall) > _PALE_FROM:
            theta = np.arctan2(ys - scene.disc.y, xs - scene.disc.x)
            pale = look_up(fall, theta) * scene.masks["rim"][crop.slices]
            scene.add_mask("pallor", pale, crop, threshold=0.10)

    def paint_front(self, scene: Scene, variant: str, severity: float) -> None:
        frame = scene.frame
        net = draw_net(scene.eye, scene.anatomy, variant)
        cover = net_cover(net, severity, frame)
        grain = scene.noise("peripheral-pigment grain", 0.16)
        for strip in frame.whole.strips():
            uneven = 1.0 + np.float32(0.20) * grain.over(frame, strip)
            depth = np.float32(2.0) * cover[strip.slices] * np.clip(uneven, 0.4, 1.5)
            absorb(scene.linear[strip.slices], depth, _DENSE)
        # In a small picture an arm is thinner than a pixel and covers little of it.
        coarse = float(np.clip(0.08 / frame.degrees_per_px, 0.6, 1.0))
        mask = scene.add_mask("spicule", cover, threshold=0.40 * coarse)
        seen = mask & aperture(scene.eye, frame)
        scene.facts["spicule_area_mm2"] = round(float(seen.sum()) / frame.px_per_mm**2, 4)


def _narrow(scene: Scene, extent: Extent, severity: float) -> None:
    """Narrow the vessels: all of them, or those of the sector."""
    amount = 1.0 - (1.0 - severity) ** 1.35

    def by_place(
        loss: float, x: NDArray[np.float64], y: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        where = 0.25 + 0.75 * extent.weight(x, y) if extent.sector is not None else 1.0
        # Farther out arteries run as threads before they do at the disc.
        far = 1.0 + 0.30 * smoothstep(14.0, 30.0, np.hypot(x, y))
        return np.asarray(1.0 - np.minimum(loss * amount * where * far, 0.6), float)

    scene.change_vessels(
        artery_calibre=lambda x, y: by_place(_ARTERY_LOSS, x, y),
        vein_calibre=lambda x, y: by_place(_VEIN_LOSS, x, y),
        reflex=1.0 - 0.5 * severity,
    )


def _compare_widths(scene: Scene) -> None:
    """Measure the vessels against those of the healthy twin."""
    twin = grow(scene.eye, scene.anatomy)
    for name, tree in (("artery", twin.arteries), ("vein", twin.veins)):
        ratio = float(scene.facts[f"{name}_calibre_um"]) / calibre_um(tree, scene.anatomy)
        scene.facts[f"{name}_width_ratio_to_twin"] = round(ratio, 4)


def _wax(scene: Scene, severity: float, drained: bool) -> None:
    """Drain the rim: a waxy tint at first; if ``drained``, a pale disc from three quarters on."""
    disc = scene.disc
    before = rim_redness(scene)
    wanted = 0.042 * float(smoothstep(0.05, 0.6, severity))
    if drained:
        wanted += 0.17 * float(smoothstep(0.68, 0.78, severity))
        wanted += 0.10 * float(smoothstep(0.75, 1.0, severity))
    disc.waxy = max(disc.waxy, float(smoothstep(0.0, 0.6, severity)))
    old = disc.pallor
    # Eyes differ in how red their rim photographs: find the loss of blood that
    # gives the wanted fall (it is nearly proportional).
    step = 0.2
    disc.pallor = np.clip(old + step, 0, 1)
    unit = max(redness_loss(before - rim_redness(scene)), 1e-3)
    disc.pallor = np.clip(old + step * wanted / unit, 0, 1)
    fall = before - rim_redness(scene)
    scene.kept["peripheral-pigment"] = fall
    scene.facts["pallor_index"] = float(scene.facts.get("pallor_index", 0.0)) + redness_loss(fall)
    scene.change_vessels(fine_disc_loss=0.5 * severity)
