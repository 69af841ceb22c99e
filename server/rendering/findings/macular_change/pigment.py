"""Pigment clumps: epithelium heaped up in one place and thinned in the next."""

from __future__ import annotations

import numpy as np

from server.rendering.lesions import MELANIN, absorb, draw_ripples, grown, lift, smoothstep, spots
from server.rendering.scene import Scene
from server.rendering.strokes import Stroke, draw


def paint_clumps(
    scene: Scene,
    severity: float,
    *,
    reach: float = 2.6,
    layer: str = "macular-change clumps",
    thinning: bool = True,
) -> None:
    """Paint grey-black clumps of irregular shape, with pale thinned patches between.

    Parameters
    ----------
    reach : spread about the fovea, degrees.
    thinning : also paint the pale patches.
    """
    frame = scene.frame
    crop = scene.about_fovea(4.0 * reach)
    if crop.empty:
        return
    rng = scene.rng(layer)
    count = 34
    late = np.linspace(0.0, 1.0, count)
    angle, away = rng.uniform(0, 2 * np.pi, count), reach * np.sqrt(rng.random(count)) * 1.15
    x, y = away * np.cos(angle), away * np.sin(angle) * 0.85
    size = np.clip(rng.lognormal(np.log(0.16), 0.42, count), 0.07, 0.42)
    onset = 0.02 + 0.85 * late**0.8
    ripples = draw_ripples(rng, count, 0.30, 6)
    aspect, turn = rng.uniform(1.0, 2.6, count), rng.uniform(0, np.pi, count)
    depth = rng.uniform(0.55, 1.0, count)
    bends = rng.normal(0, 0.5, (count, 3, 4))
    began = grown(severity, onset, 0.25)
    size = size * (0.7 + 0.5 * severity) * began**0.6
    thick = spots(
        frame, x, y, size, edge=0.05, strength=depth, aspect=aspect, turn=turn, ripples=ripples,
        crop=crop,
    )  # fmt: skip
    # Short arms join clumps into a loose net, as migrating pigment does.
    arms = []
    for n in range(count):
        if began[n] <= 0 or size[n] < 0.05:
            continue
        for arm in bends[n]:
            way = turn[n] + 2.2 * arm[0]
            length = size[n] * (1.2 + abs(arm[1]))
            steps = np.linspace(0, 1, 5)
            course = way + 0.9 * arm[2] * steps
            path = np.column_stack(
                [x[n] + length * steps * np.cos(course), y[n] + length * steps * np.sin(course)]
            )
            arms.append(Stroke(path, 0.30 * size[n] * (1 - 0.8 * steps), float(depth[n])))
    thick = np.maximum(thick, draw(frame, arms, soft=0.05, crop=crop))
    speckle = scene.noise(f"{layer} speckle", 0.14).over(frame, crop)
    thick = thick * np.clip(0.85 + 0.30 * speckle, 0.1, 1.6)
    light = scene.linear[crop.slices]
    if thinning:
        _thin(scene, severity, reach, layer)
    absorb(light, (1.15 * thick).astype(np.float32), MELANIN)
    scene.add_mask("pigment-clump", thick, crop, threshold=0.40)


def _thin(scene: Scene, severity: float, reach: float, layer: str) -> None:
    """Lift irregular patches where the epithelium is depleted."""
    crop = scene.about_fovea(4.0 * reach)
    xs, ys = scene.frame.degrees(crop)
    zone = np.exp(-((xs * xs + (ys / 0.85) ** 2) / (1.35 * reach) ** 2))
    rough = scene.noise(f"{layer} thin", 0.75).over(scene.frame, crop)
    rough += 0.6 * scene.noise(f"{layer} thin fine", 0.3).over(scene.frame, crop)
    amount = smoothstep(0.35, 1.25, rough + 0.9 * zone - 0.35) * zone * min(1.0, 1.2 * severity)
    lift(scene.linear[crop.slices], np.asarray(amount, np.float32), (1.10, 1.38, 1.20))
