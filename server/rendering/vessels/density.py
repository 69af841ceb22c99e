"""How densely twigs stand, and which way blood should flow, at a place of the retina."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from server.rendering.vessels.model import Floats
from server.rendering.vessels.planting import REACH


@njit(cache=True)
def wanted_flow(px: float, py: float, disc_x: float, disc_y: float) -> tuple[float, float]:
    """Direction in which blood should flow at a place: out of the disc, round into the macula."""
    dx, dy = px - disc_x, py - disc_y
    d2 = dx * dx + dy * dy + 0.05
    ecc2 = px * px + py * py
    fx = dx / d2 + 0.30 * px / (ecc2 + 6.0)
    fy = dy / d2 + 0.30 * py / (ecc2 + 6.0)
    n = math.sqrt(fx * fx + fy * fy) + 1e-9
    fx, fy = fx / n, fy / n
    w = math.exp(-ecc2 / 56.0)
    ecc = math.sqrt(ecc2) + 1e-9
    fx, fy = (1 - w) * fx - w * px / ecc, (1 - w) * fy - w * py / ecc
    # Temporal to the fovea vessels of both halves end at the horizontal raphe.
    if px > 0:
        r = 0.55 * math.exp(-((py / 5.0) ** 2)) * min(px / 3.0, 1.0) * math.exp(-px / 25.0)
        fy -= r * (1.0 if py > 0 else -1.0)
    n = math.sqrt(fx * fx + fy * fy) + 1e-9
    return fx / n, fy / n


@njit(cache=True)
def local_spacing(ecc: float, spacing: float) -> float:
    """Spacing of branches at an eccentricity: fine ones thin out away from the macula."""
    s = spacing
    if spacing < 2.7:
        s *= 1.0 + 0.42 * (1.0 - math.exp(-((ecc / 9.0) ** 2)))
    # The periphery, seen only in views aimed at it, has fewer and longer branches.
    s *= 1.0 + 1.15 * (1.0 / (1.0 + math.exp(-(ecc - 33.0) / 4.5)))
    return s


@njit(cache=True)
def _spacings(ecc: Floats, spacing: float) -> Floats:
    out = np.empty(len(ecc))
    for k in range(len(ecc)):
        out[k] = local_spacing(ecc[k], spacing)
    return out


def throw_targets(
    rng: np.random.Generator, spacing: float, count: int, patches: Floats
) -> tuple[Floats, Floats]:
    """Throw targets at the retina, as dense as the spacing wanted at each place.

    Returns
    -------
    targets : (count, 2) degrees.
    rolls : (count, 4), three uniform draws and the local factor on the spacing.
    """
    ecc = np.sqrt(np.linspace(0.0, 1.0, 257)) * REACH
    s = _spacings(ecc, spacing)
    weight = np.concatenate([[0.0], np.cumsum(1.0 / s[1:] ** 2)])
    r = np.interp(rng.random(count) * weight[-1], weight, ecc)
    angle = rng.uniform(0, 2 * np.pi, count)
    targets = np.stack([r * np.cos(angle), r * np.sin(angle)], axis=1)
    return targets, np.column_stack([rng.random((count, 3)), density_factor(targets, patches)])


def draw_patches(rng: np.random.Generator) -> Floats:
    """Draw how densely an eye's twigs stand, over all and from place to place.

    Returns
    -------
    (6, 4) : wave numbers in x and y, phase and strength; the strength of the last row is
        the eye's own factor.
    """
    angle = rng.uniform(0, 2 * np.pi, 5)
    number = 2 * np.pi / rng.uniform(11.0, 30.0, 5)
    waves = np.column_stack(
        [number * np.cos(angle), number * np.sin(angle), rng.uniform(0, 2 * np.pi, 5)]
    )
    overall = float(np.clip(np.exp(rng.normal(-0.04, 0.15)), 0.76, 1.40))
    return np.vstack([np.column_stack([waves, np.full(5, 0.125)]), [0.0, 0.0, 0.0, overall]])


def density_factor(points: Floats, patches: Floats) -> Floats:
    """Return the factor on the spacing of twigs at points."""
    phase = points @ patches[:-1, :2].T + patches[:-1, 2]
    return np.asarray(patches[-1, 3] * np.exp(np.sin(phase) @ patches[:-1, 3]))
