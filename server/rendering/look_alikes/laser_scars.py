"""Laser scars: round burns in loose rows, taken for bone spicules.

Treatment of the outer retina leaves burns of 200 to 500 micrometres outside the
arcades, set apart by about their own width; they turn pale, with a pigmented
centre or rim, and retinal vessels run over them (values from memory). Sessions
differ in spot, power and age: where it was high, scars have crept into one
another; where it was low, a faint ring or a speck of pigment is all that is left.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from server.rendering.features import Painter, register
from server.rendering.lesions import (
    MELANIN,
    absorb,
    diameters_um,
    draw_ripples,
    grown,
    lift,
    spots,
)
from server.rendering.noise import Noise
from server.rendering.scene import Scene
from server.rendering.streams import stream

Column = NDArray[np.float64]

# Rows run about the posterior pole, outside the arcades.
_POLE_X, _FLATTENING = -5.0, 1.15
_INNER_DEG, _OUTER_DEG = 14.8, 52.0
_LEAST_FROM_FOVEA = 11.8


@dataclass(frozen=True, eq=False)
class Burns:
    """All burns of one eye: places, full-grown radii (degrees), onsets and their pigment."""

    x: Column
    y: Column
    radius: Column
    onset: Column
    edge: Column
    pale: Column
    ripples: Column
    core: Column
    """Radius of the pigmented centre, a share of the burn's; 0 for none."""
    core_x: Column
    core_y: Column
    core_ripples: Column
    core_density: Column
    rim: Column
    """Density of a pigmented rim; 0 for none."""


@lru_cache(maxsize=8)
def draw_burns(seed: int) -> Burns:
    """Draw the burns of an eye: rows about the pole, a little unsteady, with misses."""
    rng = stream(seed, "laser-scars")
    radius = float(rng.uniform(0.46, 0.74))
    pitch = radius * float(rng.uniform(3.6, 4.5))
    x, y, fill = [], [], []
    rows = np.arange(_INNER_DEG, _OUTER_DEG, pitch * 0.90)
    for n, ring in enumerate(rows):
        count = int(2 * np.pi * ring / pitch)
        angle = 2 * np.pi * (np.arange(count) + 0.5 * (n % 2)) / count + rng.normal(0, 0.01)
        # The surgeon's rows drift: neighbours share the drift, so rows stay rows.
        drift = np.cumsum(rng.normal(0, 0.05 * pitch, count))
        drift -= np.linspace(0, drift[-1], count)
        far = ring + np.clip(drift, -0.7 * pitch, 0.7 * pitch) + rng.normal(0, 0.09 * pitch, count)
        angle = angle + rng.normal(0, 0.10 * pitch, count) / ring
        x.append(_POLE_X + _FLATTENING * far * np.cos(angle))
        y.append(far * np.sin(angle))
        fill.append(np.zeros(count))
    # A later session fills in between.
    extra = 640
    angle, far = rng.uniform(0, 2 * np.pi, extra), rng.uniform(_INNER_DEG + 1, _OUTER_DEG, extra)
    x.append(_POLE_X + _FLATTENING * far * np.cos(angle))
    y.append(far * np.sin(angle))
    fill.append(np.ones(extra))
    xs, ys, late = np.concatenate(x), np.concatenate(y), np.concatenate(fill)
    n = len(xs)
    missed = rng.random(n) < 0.09
    # Sessions differ by region: some took well, in others hardly a mark remains.
    take = Noise(seed, "laser-scars take", 9.0).at(xs, ys).astype(float)
    power = Noise(seed, "laser-scars power", 14.0).at(xs, ys).astype(float)
    # How much the spots of one eye differ: even rows of a machine, or a hand's.
    uneven = float(stream(seed, "laser-scars uneven").uniform(0.13, 0.34))
    luck = rng.random(n)
    onset = 0.02 + 0.20 * luck - 0.05 * np.clip(take, -2, 2)
    onset = np.where(late > 0, 0.55 + 0.45 * luck, np.maximum(onset, 0.02))
    size = radius * np.clip(
        np.exp(rng.normal(-0.04, uneven, n)) + 0.06 * take + 0.16 * power, 0.40, 1.95
    )
    size = np.where(missed | (np.hypot(xs, ys) < _LEAST_FROM_FOVEA), 0.0, size)
    style = rng.random(n)
    dark = np.clip(rng.normal(0.85, 0.45, n) + 0.30 * take + 0.20 * power, 0.0, 1.8)
    way, off = rng.uniform(0, 2 * np.pi, n), rng.uniform(0, 0.30, n)
    return Burns(
        xs, ys, size, onset,
        edge=rng.uniform(0.15, 0.38, n),
        pale=np.clip(rng.normal(0.68, 0.20, n) + 0.16 * power, 0.16, 1.0),
        ripples=draw_ripples(rng, n, 0.055, 4),
        core=np.where(style < 0.72, rng.uniform(0.16, 0.78, n), 0.0),
        core_x=off * np.cos(way), core_y=off * np.sin(way),
        core_ripples=draw_ripples(rng, n, 0.17, 5), core_density=dark,
        rim=np.where((style > 0.58) & (style < 0.92), 0.75 * dark, 0.0),
    )  # fmt: skip


@register
class LaserScars(Painter):
    """Scatter burns outside the arcades, under the retinal vessels."""

    kind = "laser-scars"
    variants = ("plain",)
    floor = 0.25
    mimics = "peripheral-pigment"

    def paint_retina(self, scene: Scene, variant: str, severity: float) -> None:
        burns = draw_burns(scene.eye.seed)
        frame = scene.frame
        half = 0.5 * frame.field_deg + 1.5
        near = np.hypot(burns.x - frame.centre_deg[0], burns.y - frame.centre_deg[1]) < half
        off_disc = np.hypot(burns.x - scene.disc.x, burns.y - scene.disc.y)
        near &= off_disc > scene.disc.mean_radius + 1.4
        k = np.flatnonzero(near & (burns.radius > 0) & (burns.onset < severity))
        x, y = burns.x[k], burns.y[k]
        began = grown(severity, burns.onset[k], 0.25)
        radius = burns.radius[k] * (0.80 + 0.32 * severity) * np.sqrt(began)
        strength = burns.pale[k] * began
        pigment = float(np.clip(1.35 * severity - 0.15, 0.0, 1.0))
        for strip in frame.whole.strips(128):
            cover = spots(
                frame, x, y, radius, edge=burns.edge[k], strength=strength,
                ripples=burns.ripples[k], crop=strip,
            )  # fmt: skip
            # The burn has taken epithelium and small choroidal vessels: dull and pale.
            scene.show_bare(np.float32(0.62) * cover, strip)
            lift(scene.linear[strip.slices], cover, (1.06, 1.28, 1.30))
            core = spots(
                frame, x + radius * burns.core_x[k], y + radius * burns.core_y[k],
                radius * burns.core[k] * (0.35 + 0.65 * pigment), edge=0.13,
                strength=burns.core_density[k] * pigment * began, aspect=1.2,
                turn=burns.core_x[k] * 9.0, ripples=burns.core_ripples[k], crop=strip,
            )  # fmt: skip
            whole = spots(
                frame, x, y, radius * 1.10, edge=0.14, ripples=burns.ripples[k],
                strength=burns.rim[k] * pigment * began, crop=strip,
            )  # fmt: skip
            inner = spots(
                frame, x + 0.25 * radius * burns.core_x[k], y + 0.25 * radius * burns.core_y[k],
                radius * 0.80, edge=0.20, ripples=0.5 * burns.core_ripples[k],
                strength=burns.rim[k] * pigment * began, crop=strip,
            )  # fmt: skip
            grain = scene.noise("laser-scars grain", 0.30).over(frame, strip)
            # Rims are broken, thick on one side and missing on the other.
            rims = scene.noise("laser-scars rims", 0.62).over(frame, strip)
            broken = np.clip(0.40 + 0.75 * rims, 0, 1.5)
            dark = core + np.clip(whole - inner, 0, None) * broken
            dark = dark * np.clip(1 + 0.28 * grain, 0.3, 1.8)
            absorb(scene.linear[strip.slices], np.float32(1.15) * dark, MELANIN)
        exact = spots(frame, x, y, radius, edge=0.02, ripples=burns.ripples[k])
        mask = scene.add_mask("laser-scar", exact * (float(strength.max(initial=0.0)) > 0.1))
        if len(k):
            scene.facts["laser_scar_um"] = round(float(np.median(diameters_um(radius))), 1)
            scene.facts["laser_scar_mm2"] = round(float(mask.sum()) / frame.px_per_mm**2, 4)
            scene.facts["laser_scar_count"] = int(
                (np.hypot(x - frame.centre_deg[0], y - frame.centre_deg[1])
                 < 0.5 * frame.field_deg).sum()
            )  # fmt: skip
