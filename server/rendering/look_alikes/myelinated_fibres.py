"""Myelinated nerve fibres: white streaky patches with feathered ends that hide vessels.

Nerve fibres of the retina that carry myelin, which normally ends behind the eye. Patches
follow the fibres; a third of them touch the disc (Straatsma and others 1981). As they are
here to be told from a swollen margin, more of ours do.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from server.rendering.disc import ANGLES
from server.rendering.features import Painter, register
from server.rendering.fibres import fibre_angle, half_turn
from server.rendering.frame import Floats
from server.rendering.lesions import smoothstep
from server.rendering.scene import Scene

_WHITE = (2.10, 0.66, 0.52)
_TOUCH = 0.70
_MACULA_KEPT_DEG = 10.2


@register
class MyelinatedFibres(Painter):
    """One or two patches of myelinated fibres beside the disc."""

    kind = "myelinated-fibres"
    variants = ("plain",)
    floor = 0.3
    mimics = "swollen-margin"

    def paint_front(self, scene: Scene, variant: str, severity: float) -> None:
        crop = scene.about_disc(13.0)
        if crop.empty:
            return
        xs, ys = scene.frame.degrees(crop)
        cover = _cover(scene, xs, ys, severity)
        light = scene.linear[crop.slices]
        tint = 1.22 - 0.50 * scene.eye.pigmentation
        for channel in range(3):
            white = np.float32(_WHITE[channel] * tint)
            light[..., channel] += cover * (white - light[..., channel])
        mask = scene.add_mask("myelinated-fibres", cover, crop, threshold=0.35)
        scene.facts["myelinated_mm2"] = float(mask.sum()) / scene.frame.px_per_mm**2
        for name in ("arterioles", "venules"):
            scene.masks[name][crop.slices] &= cover < 0.7


def _cover(scene: Scene, xs: Floats, ys: Floats, severity: float) -> Floats:
    """Return how much of the light behind the sheaths hide, over points."""
    rng = scene.rng("myelinated-fibres patches")
    upper = rng.random() < 0.5
    second = rng.random() < 0.45
    disc = scene.disc
    psi = fibre_angle(xs, ys, disc.x, disc.y)
    dx, dy = xs - np.float32(disc.x), ys - np.float32(disc.y)
    theta, r = np.arctan2(dy, dx), np.hypot(dx, dy)
    edge = np.interp(theta % (2 * math.pi), ANGLES, disc.outline, period=2 * math.pi)
    beyond = (r - edge).astype(np.float32)
    total = np.zeros(xs.shape, np.float32)
    for n in range(2):
        draws = rng.uniform(0, 1, 6)
        if n == 1 and not second:
            continue
        sign = -1 if upper == (n == 0) else 1
        middle = sign * (0.95 + 1.0 * draws[0])
        half = (0.36 + 0.62 * draws[1] ** 1.5) * (0.40 + 0.60 * severity)
        start = -0.25 if draws[2] < _TOUCH else 1.0 + 2.5 * draws[3]
        half /= 1 + max(start, 0.0) / 3.0
        length = (4.2 + 5.5 * draws[4]) * (0.30 + 0.70 * severity) * (1.0 if n == 0 else 0.6)
        apart = half_turn(psi - np.float32(middle))
        near = (
            (np.abs(apart) < 1.6 * half) & (beyond > start - 0.1) & (beyond < start + 1.6 * length)
        )
        band = _Band(half, start, length)
        here = _patch(
            scene, n, xs[near], ys[near], psi[near], apart[near], beyond[near], r[near], band
        )
        total[near] = np.maximum(total[near], here)
    dense = np.float32(smoothstep(0.0, 0.30, severity))
    away = smoothstep(_MACULA_KEPT_DEG, _MACULA_KEPT_DEG + 1.2, np.hypot(xs, ys))
    # No patch of ours reaches the end of the part that is painted.
    away = away * (1 - smoothstep(10.0, 12.6, r))
    return (total * dense * away).astype(np.float32)


@dataclass(frozen=True)
class _Band:
    """One patch: half width in fibre angle (radians), start and length beyond the disc."""

    half: float
    start: float
    length: float


def _patch(
    scene: Scene,
    n: int,
    xs: Floats,
    ys: Floats,
    psi: Floats,
    apart: Floats,
    beyond: Floats,
    r: Floats,
    band: _Band,
) -> Floats:
    """Return one patch: a band of fibres, each sheathed over a stretch of its own."""
    half, start, length = band.half, band.start, band.length

    def along(layer: str, cell: float, squeeze: float) -> Floats:
        # Noise drawn out along the fibres: nearly the same number all along one of them.
        radius = 3.0 + squeeze * (r - 3.0)
        noise = scene.noise(f"myelinated-fibres {layer} {n}", cell)
        return noise.at(radius * np.cos(psi), radius * np.sin(psi))

    bundle, strand = along("bundle", 0.80, 0.12), along("strand", 0.30, 0.14)
    fibre = 0.75 * along("fibre", 0.10, 0.16) + 0.65 * along("fine", 0.055, 0.20)
    inward = 1 - (apart / np.float32(half)) ** 2
    # Fibres near the middle of the band are sheathed furthest, bundle by bundle.
    ends = np.float32(length) * (
        0.30 + 0.70 * np.clip(inward, 0, 1) + 0.14 * bundle + 0.07 * strand + 0.03 * fibre
    )
    out = smoothstep(0.0, 1.0, (start + ends - beyond) / np.float32(0.80 * length))
    # Where a patch begins away from the disc it is feathered on that side too.
    lead = np.float32(0.30 + 0.9 * max(start, 0.0))
    first = smoothstep(
        0.0,
        1.0,
        (beyond - start) / lead + (0.22 * strand + 0.10 * fibre) * (min(max(start, 0.0), 1.0)),
    )
    side = smoothstep(-0.45, 0.85, inward + 0.24 * bundle + 0.14 * strand + 0.06 * fibre)
    cloud = scene.noise(f"myelinated-fibres cloud {n}", 0.7).at(xs, ys)
    # The sheaths thin out one after the other over a long way, so the end is a feather and
    # not a comb: what lies behind shows between more and more of them.
    amount = out * first * side * (1 + 0.16 * cloud)
    streaked = amount * np.clip(1 + (0.55 - 0.35 * amount) * (fibre + 0.5 * strand), 0.12, 2.2)
    return np.asarray(0.95 * (1 - np.exp(-2.6 * streaked * np.sqrt(amount + 1e-6))), np.float32)
