"""Diabetic exudate at the macula: waxy lipid in rings about leaking microaneurysms."""

from __future__ import annotations

import numpy as np

from server.rendering.eye import MM_PER_DEGREE
from server.rendering.findings.macular_change.surround import lift_towards, surrounding_light
from server.rendering.frame import Floats
from server.rendering.lesions import area_mm2, draw_ripples, grown, lift, spots
from server.rendering.retinal_lesions import paint_blots, paint_microaneurysms
from server.rendering.scene import Scene

_REACH = 10.5
_RINGS = 3


def paint_exudate(scene: Scene, severity: float) -> None:
    """Paint hard exudates in incomplete rings, with the dots and blots that feed them."""
    crop = scene.about_fovea(_REACH)
    if crop.empty:
        return
    frame = scene.frame
    rng = scene.rng("macular-change exudate")
    # Each ring about its own leak; the first lies temporal to the fovea.
    way = np.concatenate([rng.normal(0.0, 0.7, 1), rng.uniform(0.5, 2 * np.pi - 0.5, _RINGS - 1)])
    away = rng.uniform(2.2, 4.6, _RINGS)
    ring_x, ring_y = away * np.cos(way), away * np.sin(way)
    ring_r = rng.uniform(1.2, 2.5, _RINGS)
    ring_onset = np.array([0.0, 0.34, 0.58])
    gap = rng.uniform(0, 2 * np.pi, _RINGS)

    count = 165
    ring = np.concatenate([np.zeros(70, int), np.repeat(np.arange(1, _RINGS), 36),
                           rng.integers(0, _RINGS, count - 70 - 36 * (_RINGS - 1))])  # fmt: skip
    late = rng.random(count)
    angle = rng.uniform(0, 2 * np.pi, count)
    # Deposits gather on part of the ring and thin out towards its gap.
    angle = gap[ring] + np.pi + (angle - np.pi) * (0.45 + 0.45 * late)
    across = rng.normal(0.0, 0.13, count)
    oval = 0.85 + 0.3 * rng.random(_RINGS)
    x = ring_x[ring] + ring_r[ring] * (1 + across) * np.cos(angle) * oval[ring]
    y = ring_y[ring] + ring_r[ring] * (1 + across) * np.sin(angle)
    clump = rng.normal(0, 0.12, (2, count))
    x, y = x + clump[0], y + clump[1]
    size = np.clip(rng.lognormal(np.log(0.105), 0.55, count), 0.045, 0.42)
    aspect, turn = rng.uniform(1.0, 1.9, count), angle + np.pi / 2 + rng.normal(0, 0.5, count)
    ripples = draw_ripples(rng, count, 0.20, 6)
    strength = rng.uniform(0.70, 1.0, count)
    onset = ring_onset[ring] + 0.02 + 0.62 * late**0.8
    began = grown(severity, onset, 0.22)
    radius = size * (0.75 + 0.45 * severity) * began**0.6
    radius = np.where(np.hypot(x, y) > _REACH - 0.6, 0.0, radius)
    cover = spots(
        frame, x, y, radius, edge=np.minimum(0.035, 0.45 * radius + 1e-4), strength=strength,
        aspect=aspect, turn=turn, ripples=ripples, crop=crop,
    )  # fmt: skip
    _leaks(scene, severity, ring_x, ring_y, ring_r, ring_onset)
    grain = scene.noise("macular-change exudate grain", 0.11).over(frame, crop)
    cover *= np.clip(0.95 + 0.10 * grain, 0.5, 1.1).astype(np.float32)
    light = scene.linear[crop.slices]
    lift_towards(light, cover, (1.62, 4.2, 3.0), surrounding_light(scene, crop), 0.6)
    scene.add_mask("exudate", cover, crop, threshold=0.45)
    _measure(scene, cover, x, y, radius)


def _leaks(
    scene: Scene,
    severity: float,
    ring_x: np.ndarray,
    ring_y: np.ndarray,
    ring_r: np.ndarray,
    ring_onset: np.ndarray,
) -> None:
    """Paint the thickened retina inside each ring, its microaneurysms and small blots."""
    crop = scene.about_fovea(_REACH)
    frame = scene.frame
    rng = scene.rng("macular-change leaks")
    began = grown(severity, ring_onset, 0.5)
    xs, ys = frame.degrees(crop)
    wet: Floats = np.zeros(crop.shape, np.float32)
    for k in range(_RINGS):
        r2 = ((xs - ring_x[k]) ** 2 + (ys - ring_y[k]) ** 2) / (1.1 * ring_r[k]) ** 2
        wet = np.maximum(wet, np.exp(-(r2**1.5)).astype(np.float32) * np.float32(began[k]))
    # Oedema greys the retina slightly and hides the choroid's detail.
    lift(scene.linear[crop.slices], wet, (0.95, 1.03, 1.04))

    count = 44
    ring = rng.integers(0, _RINGS, count)
    inside = rng.random(count) < 0.6
    angle, share = rng.uniform(0, 2 * np.pi, count), np.sqrt(rng.random(count))
    far = rng.uniform(2.0, 8.5, count)
    x = np.where(inside, ring_x[ring] + 0.8 * ring_r[ring] * share * np.cos(angle),
                 far * np.cos(angle))  # fmt: skip
    y = np.where(inside, ring_y[ring] + 0.8 * ring_r[ring] * share * np.sin(angle),
                 far * np.sin(angle))  # fmt: skip
    blot = rng.random(count) < 0.28
    size = np.where(blot, rng.uniform(0.13, 0.36, count), rng.uniform(0.06, 0.12, count))
    ripples = draw_ripples(rng, count, 0.16, 5)
    onset = np.where(inside, ring_onset[ring], 0.15) + 0.55 * rng.random(count)
    depth = rng.uniform(0.45, 1.0, count)
    radius = size * grown(severity, onset, 0.2) ** 0.6
    radius = np.where(np.hypot(x - scene.disc.x, y - scene.disc.y) < 4.5, 0.0, radius)
    dots = np.where(blot, 0.0, radius)
    paint_microaneurysms(scene, crop, x, y, dots, depth)
    paint_blots(
        scene, crop, x, y, np.where(blot, radius, 0.0), depth, edge=0.06, aspect=1.0, turn=0.0,
        ripples=ripples, layer="macular-change blots",
    )  # fmt: skip


def _measure(scene: Scene, cover: Floats, x: np.ndarray, y: np.ndarray, radius: np.ndarray) -> None:
    scene.facts["exudate_mm2"] = round(area_mm2(cover, scene.frame, 0.45), 4)
    shown = radius > 0.02
    if shown.any():
        nearest = float((np.hypot(x, y) - radius)[shown].min()) * 1000 * MM_PER_DEGREE
        scene.facts["exudate_nearest_fovea_um"] = round(max(nearest, 0.0), 1)
        # Within 500 um of the centre, with thickening: sight is at stake (ETDRS).
        scene.facts["exudate_threatens_centre"] = bool(nearest <= 500.0)
