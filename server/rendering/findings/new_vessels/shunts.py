"""Shunts within the retina (IRMA): crooked channels where capillaries have closed.

They lie in the plane of the retina, run across from a small artery to a small vein, never
pass in front of a large vessel and have no fan or frond: what tells them from new vessels
(ETDRS report 10, field of IRMA).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from server.rendering.findings.new_vessels.placing import SPARED_DEG, Places
from server.rendering.fine_vessels import VENOUS, blood_columns, paint_columns
from server.rendering.frame import Crop
from server.rendering.lesions import grown
from server.rendering.scene import Scene
from server.rendering.strokes import Stroke

Array = NDArray[np.float64]

SHUNTS = 9
_STRANDS, _STEPS = 5, 16


def paint_shunts(
    scene: Scene, places: Places, amount: float, severity: float, x: Array, y: Array, crop: Crop
) -> None:
    """Paint the shunts of an eye, under its vessels.

    Parameters
    ----------
    amount : how many of ``SHUNTS`` an eye has at most, as a share.
    x, y : where each lies, canonical degrees, shape (SHUNTS,).
    """
    rng = scene.rng("new-vessels shunts")
    onset = rng.uniform(0.10, 0.65, SHUNTS)
    length = rng.uniform(0.9, 2.1, SHUNTS)
    heading = rng.uniform(0, 2 * math.pi, SHUNTS)
    spread, start = rng.normal(0, 0.75, (SHUNTS, _STRANDS)), rng.normal(0, 0.16, (2, SHUNTS, 5))
    # Sharp corners between short straight stretches, unlike a retinal vessel's arcs.
    turns = rng.normal(0, 0.42, (SHUNTS, _STRANDS, _STEPS))
    wide = np.exp(rng.normal(0, 0.30, (SHUNTS, _STRANDS, _STEPS)))
    own = rng.uniform(0.45, 1.0, (SHUNTS, _STRANDS))
    size = grown(severity, onset, 0.40) * (np.arange(SHUNTS) < round(amount * SHUNTS))
    clear = places.near_disc(x, y) > 1.4 + length
    clear &= ~(places.spares & (np.hypot(x, y) < SPARED_DEG + 0.5 + length))
    strokes = []
    for n in np.flatnonzero((size > 0) & clear):
        for k in range(_STRANDS):
            way = heading[n] + spread[n, k] + np.cumsum(turns[n, k])
            step = length[n] * own[n, k] * (0.7 + 0.3 * size[n]) / _STEPS
            path = np.stack([np.cumsum(np.cos(way)), np.cumsum(np.sin(way))], axis=1) * step
            path += np.array([x[n] + start[0, n, k], y[n] + start[1, n, k]])
            taper = np.clip(1.15 - np.linspace(-1, 1, _STEPS) ** 4, 0.3, 1)
            radii = 0.028 * np.clip(wide[n, k], 0.5, 1.8) * taper
            strokes.append(Stroke(path, radii, float(size[n])))
    if not strokes:
        return
    cover = blood_columns(scene, strokes, crop, soft=0.02)
    paint_columns(scene, cover, 0.58, VENOUS, crop)
    scene.add_mask("intraretinal-shunt", cover, crop, threshold=0.40)
