"""The diabetic retina new vessels come with: blood, white spots, lipid, shunts, beaded veins.

Every eye has its own mixture: one bleeds, another leaks, a third has lost capillaries.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from server.rendering.findings.new_vessels.placing import SPARED_DEG, Places
from server.rendering.findings.new_vessels.shunts import SHUNTS, paint_shunts
from server.rendering.frame import Crop
from server.rendering.lesions import draw_ripples, grown
from server.rendering.retinal_lesions import (
    paint_blots,
    paint_cotton_wool,
    paint_flames,
    paint_hard_exudates,
    paint_microaneurysms,
)
from server.rendering.scene import Scene

Array = NDArray[np.float64]

_DOTS, _BLOTS, _FLAMES, _COTTON, _CLUSTERS, _EACH = 110, 64, 12, 7, 4, 26


@dataclass(frozen=True)
class Mixture:
    """How much of each lesion an eye has, 0 to about 1.4, and which side is worse."""

    dots: float
    blots: float
    flames: float
    cotton: float
    lipid: float
    beading: float
    worse_angle: float
    shunts: float

    @classmethod
    def of(cls, scene: Scene) -> Mixture:
        """Draw an eye's mixture."""
        rng = scene.rng("new-vessels mixture")
        draws = rng.uniform(0, 1, 8)
        return cls(
            dots=0.45 + 0.95 * draws[0],
            blots=0.30 + 1.05 * draws[1] ** 1.3,
            flames=1.2 * draws[2] ** 1.6,
            cotton=1.3 * draws[3] ** 1.5,
            lipid=1.3 * draws[4] ** 1.5,
            beading=0.35 + 0.9 * draws[5],
            worse_angle=2 * math.pi * draws[6],
            shunts=draws[7],
        )


def beading(scene: Scene, severity: float) -> None:
    """Bead the veins in stretches."""
    amount = Mixture.of(scene).beading * float(grown(severity, 0.10, 0.9))
    where = scene.noise("new-vessels beading", 6.0)

    def by_place(x: Array, y: Array) -> Array:
        # Beaded where the noise is high, plain elsewhere; never all veins at once.
        return np.asarray(0.85 * amount * np.clip(0.9 * where.at(x, y) - 0.05, 0, 1), float)

    scene.change_vessels(vein_beading=by_place, vein_calibre=1 + 0.08 * severity)


def paint_background(scene: Scene, places: Places, severity: float) -> None:
    """Paint everything that lies within the retina."""
    mixture = Mixture.of(scene)
    frame = scene.frame
    crop = frame.crop(-4.0, 0.0, 33.0)
    if crop.empty:
        return
    _lipid(scene, places, mixture, severity, crop)
    _bleeding(scene, places, mixture, severity, crop)
    rng = scene.rng("new-vessels shunt places")
    x, y = _scatter(scene, places, rng, SHUNTS, mixture, 15.0, 2.4)
    paint_shunts(scene, places, mixture.shunts, severity, x, y, crop)


def paint_on_vessels(scene: Scene, places: Places, severity: float) -> None:
    """Paint what lies in the nerve-fibre layer, in front of the vessels."""
    mixture = Mixture.of(scene)
    crop = scene.about_disc(17.0)
    if crop.empty:
        return
    rng = scene.rng("new-vessels cotton wool")
    x, y = _scatter(scene, places, rng, _COTTON, mixture, 15.0, 2.0)
    length, width = rng.uniform(0.45, 1.15, _COTTON), rng.uniform(0.35, 0.75, _COTTON)
    onset = rng.uniform(0.05, 0.75, _COTTON)
    shown = np.arange(_COTTON) < round(mixture.cotton * _COTTON * 0.75)
    size = grown(severity, onset, 0.25) * shown
    paint_cotton_wool(
        scene, crop, x.tolist(), y.tolist(), length.tolist(), width.tolist(), size.tolist(),
        layer="new-vessels cotton",
    )  # fmt: skip
    rng = scene.rng("new-vessels flames")
    x, y = _scatter(scene, places, rng, _FLAMES, mixture, 14.0, 2.0)
    length = np.clip(1.1 * np.exp(rng.normal(0, 0.5, _FLAMES)), 0.35, 2.6)
    width = length * rng.uniform(0.14, 0.40, _FLAMES)
    onset = rng.uniform(0.0, 0.75, _FLAMES)
    shown = np.arange(_FLAMES) < round(mixture.flames * _FLAMES)
    paint_flames(scene, crop, rng, x, y, length, width, grown(severity, onset, 0.25) * shown)


def _scatter(
    scene: Scene,
    places: Places,
    rng: np.random.Generator,
    count: int,
    mixture: Mixture,
    far: float,
    room: float,
) -> tuple[Array, Array]:
    """Draw places over the posterior pole, denser on the worse side; none on the disc.

    What would touch a spared macula, or the disc, is moved out of it.
    """
    turn = rng.vonmises(mixture.worse_angle, 0.55, count)
    away = far * np.sqrt(rng.uniform(0.02, 1.0, count)) * rng.uniform(0.75, 1.35, count)
    # Along the arcades and about the posterior pole, centred between fovea and disc.
    x, y = -6.0 + away * np.cos(turn), away * np.sin(turn)
    ecc = np.maximum(np.hypot(x, y), 0.5)
    keep = (SPARED_DEG + room) if places.spares else 1.0
    push = np.where(ecc < keep, (keep + 0.7 * (keep - ecc) * rng.random(count)) / ecc, 1.0)
    x, y = x * push, y * push
    near = places.near_disc(x, y)
    inside = near < 0.6 + 0.5 * room
    angle = np.arctan2(y - scene.disc.y, x - scene.disc.x)
    out = np.where(inside, 0.6 + 0.5 * room - near, 0.0)
    x, y = x + out * np.cos(angle), y + out * np.sin(angle)
    if places.spares:
        # Leaving the disc may have led back into the macula: go round it nasally.
        back = np.hypot(x, y) < keep
        x = np.where(back, 2 * scene.disc.x - x, x)
    return x, y


def _bleeding(scene: Scene, places: Places, mixture: Mixture, severity: float, crop: Crop) -> None:
    rng = scene.rng("new-vessels dots")
    x, y = _scatter(scene, places, rng, _DOTS, mixture, 15.0, 0.3)
    size = rng.uniform(0.055, 0.125, _DOTS)
    onset = 0.72 * rng.random(_DOTS)
    depth = rng.uniform(0.45, 1.0, _DOTS)
    shown = np.arange(_DOTS) < mixture.dots * 0.7 * _DOTS
    paint_microaneurysms(
        scene, crop, x, y, size * shown * grown(severity, onset, 0.2) ** 0.6, depth
    )
    rng = scene.rng("new-vessels blots")
    x, y = _scatter(scene, places, rng, _BLOTS, mixture, 16.0, 1.0)
    # Many small, few large; some come in groups.
    group = rng.random(_BLOTS) < 0.35
    lead = rng.integers(0, 6, _BLOTS)
    x = np.where(group, x[lead] + rng.normal(0, 1.3, _BLOTS), x)
    y = np.where(group, y[lead] + rng.normal(0, 1.3, _BLOTS), y)
    size = np.clip(0.20 * np.exp(rng.normal(0, 0.55, _BLOTS)), 0.09, 0.85)
    ragged = rng.uniform(0.03, 0.15, _BLOTS)
    ripples = draw_ripples(rng, _BLOTS, 1.0, 7) * ragged[:, None]
    onset = 0.78 * rng.random(_BLOTS)
    depth = rng.uniform(0.45, 1.1, _BLOTS)
    edge = size * rng.uniform(0.10, 0.55, _BLOTS)
    aspect, turn = 1 + rng.exponential(0.35, _BLOTS), rng.uniform(0, math.pi, _BLOTS)
    shown = np.arange(_BLOTS) < mixture.blots * 0.75 * _BLOTS
    radius = size * shown * grown(severity, onset, 0.25) ** 0.6
    if places.spares:
        radius = np.where(np.hypot(x, y) < SPARED_DEG + 1.5 * radius, 0.0, radius)
    else:
        # Where the macula is affected at all it is plainly so: one blot lies there at once.
        turn0 = mixture.worse_angle
        x[0], y[0] = 4.2 * math.cos(turn0), 4.2 * math.sin(turn0)
        radius[0] = 0.34 * float(grown(severity, 0.0, 0.22)) ** 0.6
        depth[0] = 0.9
    radius = np.where(places.near_disc(x, y) < 1.2 * radius + 0.2, 0.0, radius)
    paint_blots(
        scene, crop, x, y, radius, depth, edge=edge, aspect=aspect, turn=turn, ripples=ripples,
        layer="new-vessels blots",
    )  # fmt: skip


def _lipid(scene: Scene, places: Places, mixture: Mixture, severity: float, crop: Crop) -> None:
    rng = scene.rng("new-vessels lipid")
    cx, cy = _scatter(scene, places, rng, _CLUSTERS, mixture, 12.0, 2.2)
    ring = np.repeat(np.arange(_CLUSTERS), _EACH)
    count = len(ring)
    turn, spread = rng.uniform(0, 2 * math.pi, _CLUSTERS), rng.uniform(0.4, 1.3, _CLUSTERS)
    size_of = rng.uniform(0.6, 1.5, _CLUSTERS)
    angle = turn[ring] + rng.normal(0, 1, count) * spread[ring]
    out = size_of[ring] * (1 + rng.normal(0, 0.22, count))
    x, y = cx[ring] + out * np.cos(angle), cy[ring] + out * np.sin(angle)
    size = np.clip(0.085 * np.exp(rng.normal(0, 0.5, count)), 0.035, 0.30)
    late = rng.random(count)
    onset = 0.16 * ring + 0.02 + 0.55 * late
    aspect, ripples = rng.uniform(1, 1.8, count), draw_ripples(rng, count, 0.18)
    strength = rng.uniform(0.6, 1.0, count)
    shown = ring < round(mixture.lipid * _CLUSTERS * 0.85)
    radius = size * shown * grown(severity, onset, 0.22) ** 0.6
    if places.spares:
        radius = np.where(np.hypot(x, y) < SPARED_DEG + radius, 0.0, radius)
    radius = np.where(places.near_disc(x, y) < 0.3, 0.0, radius)
    paint_hard_exudates(
        scene, crop, x, y, radius, strength, aspect=aspect, turn=angle + math.pi / 2,
        ripples=ripples,
    )  # fmt: skip
