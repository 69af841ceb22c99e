"""The nerve-fibre layer: the course of its fibres and its silvery veil.

Fibres leave the disc and arch around the fovea to a seam (raphe) temporal to
it. Their course is that of a flow with a source at the disc and a weaker one
at the fovea; the stream function of that flow is constant along a fibre, so
noise in the stream function gives striae, and a band of it is a bundle.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numba import njit
from numpy.typing import ArrayLike, NDArray

from server.rendering.anatomy import Anatomy
from server.rendering.eye import Eye
from server.rendering.frame import Floats, Frame
from server.rendering.noise import LineNoise, Noise
from server.rendering.streams import stream

FOVEA_SOURCE = 0.34
"""Strength of the source at the fovea relative to the disc's."""


@njit(cache=True, fastmath=True)
def _atan2(y: float, x: float) -> float:
    """Return the angle of (x, y), to 1e-4 rad: fast enough to use for every pixel."""
    ax, ay = abs(x), abs(y)
    big, small = max(ax, ay), min(ax, ay)
    a = small / (big + 1e-12)
    s = a * a
    # Minimax polynomial of arctangent on 0..1.
    r = a * (
        0.99997726
        + s
        * (-0.33262347 + s * (0.19354346 + s * (-0.11643287 + s * (0.05265332 - s * 0.01172120))))
    )
    if ay > ax:
        r = 1.5707963267948966 - r
    if x < 0:
        r = 3.141592653589793 - r
    return -r if y < 0 else r


def half_turn(angle: NDArray[np.floating]) -> NDArray[np.floating]:
    """Return angles (radians) brought to between -pi and pi, in their own precision."""
    turn = angle.dtype.type(2 * math.pi)
    wrapped: NDArray[np.floating] = angle - turn * np.round(angle / turn)
    return wrapped


def fibre_angle(x: ArrayLike, y: ArrayLike, disc_x: float, disc_y: float) -> Floats:
    """Return the stream function, which names the fibre through each point.

    It equals the canonical angle (radians) at which the fibre leaves the
    disc, in -pi to pi, up to a shift of a few hundredths.
    """
    xs, ys = np.asarray(x, np.float32), np.asarray(y, np.float32)
    # The shift makes the value at the disc's edge the angle itself.
    shift = FOVEA_SOURCE * math.atan2(-disc_y, -disc_x)
    psi = np.arctan2(ys - disc_y, xs - disc_x) + FOVEA_SOURCE * np.arctan2(-ys, -xs) - shift
    return np.asarray(half_turn(psi), np.float32)


def fibre_direction(
    x: ArrayLike, y: ArrayLike, disc_x: float, disc_y: float
) -> tuple[Floats, Floats]:
    """Return the unit vector along the fibre at each point, away from the disc."""
    xs, ys = np.asarray(x, np.float32), np.asarray(y, np.float32)
    dx, dy = xs - disc_x, ys - disc_y
    near = np.maximum(dx * dx + dy * dy, 1e-3)
    far = xs * xs + ys * ys + 0.5
    u = dx / near + FOVEA_SOURCE * xs / far
    v = dy / near + FOVEA_SOURCE * ys / far
    length = np.maximum(np.hypot(u, v), 1e-9)
    return (u / length).astype(np.float32), (v / length).astype(np.float32)


@dataclass(frozen=True)
class FibreDefect:
    """A wedge or slit of lost nerve fibres.

    Parameters
    ----------
    angle : canonical angle at which it touches the disc, radians (see ``fibre_angle``).
    half_width : half its width in that angle, radians.
    depth : 0 to 1, the share of fibres lost.
    reach : degrees from the disc over which it fades, large for a long defect.
    """

    angle: float
    half_width: float
    depth: float
    reach: float = 24.0


@dataclass
class FibreLook:
    """The nerve-fibre layer of one scene, which findings may thin.

    Attributes
    ----------
    strength : thickness relative to the healthy eye's own, 1 is untouched.
    defects : wedges of lost fibres.
    striae : contrast of the striae, 1 is average.
    """

    strength: float = 1.0
    defects: list[FibreDefect] = field(default_factory=list)
    striae: float = 1.0


def defect_cover(look: FibreLook, anatomy: Anatomy, frame: Frame) -> Floats:
    """Return the share of fibres lost to the defects, 0 to 1, over a frame."""
    out = np.zeros((frame.size_px, frame.size_px), np.float32)
    if not look.defects:
        return out
    xs, ys = frame.x, frame.y
    psi = fibre_angle(xs, ys, anatomy.disc_x, anatomy.disc_y)
    away = np.hypot(xs - np.float32(anatomy.disc_x), ys - np.float32(anatomy.disc_y))
    for defect in look.defects:
        apart = half_turn(psi - np.float32(defect.angle))
        edge = 0.22 * defect.half_width + 0.015
        band = _ramp((defect.half_width - np.abs(apart)) / np.float32(2 * edge) + 0.5)
        # Fibres of one half of the retina never pass the raphe into the other.
        upper = math.sin(defect.angle) < 0
        same_half = np.where((xs > 0) & ((ys < 0) != upper), np.float32(0), np.float32(1))
        fade = _ramp(np.float32(1.6) - away / np.float32(defect.reach))
        np.maximum(out, np.float32(defect.depth) * band * same_half * fade, out=out)
    return out


def _ramp(t: Floats) -> Floats:
    """Return the smooth step from 0 to 1 of values over 0..1."""
    t = np.clip(t, 0, 1)
    return t * t * (3 - 2 * t)


@njit(cache=True, fastmath=True)
def _veil(
    out: Floats,
    xs: Floats,
    ys: Floats,
    disc_x: float,
    disc_y: float,
    striae: Floats,
    wander: Floats,
    upper: float,
    lower: float,
    contrast: float,
) -> None:
    """Write the veil's thickness with striae into ``out`` (see ``add_veil``)."""
    count = striae.shape[1]
    shift = 0.34 * math.atan2(-disc_y, -disc_x)
    for i in range(out.shape[0]):
        y = ys[i]
        for j in range(out.shape[1]):
            x = xs[j]
            dx, dy = x - disc_x, y - disc_y
            away = math.sqrt(dx * dx + dy * dy)
            angle = _atan2(dy, dx)
            psi = angle + 0.34 * _atan2(-y, -x) - shift
            # Two arcuate bundles leave the disc above and below its temporal side.
            a, b = (psi + upper) / 0.62, (psi - lower) / 0.62
            bundle = math.exp(-a * a) + math.exp(-b * b)
            thick = (0.34 + bundle) * math.exp(-max(away - 3.0, 0.0) / 9.0)
            # Over fovea and raphe the layer is all but gone.
            thin = 1.0 - 0.85 * math.exp(-(x * x + y * y) / 9.0)
            if x > 0:
                thin *= 1.0 - 0.9 * math.exp(-y * y / 2.5)
            thick *= thin
            t = psi * count / 6.283185307179586 + 3 * count
            k = int(t)
            f = t - k
            # Striae change along their course: blend four tables by distance and wander.
            s = max(away * 0.28 + 0.8 * wander[i, j], 0.0)
            m = int(s)
            g = s - m
            row0, row1 = m % striae.shape[0], (m + 1) % striae.shape[0]
            lo = (1 - f) * striae[row0, k % count] + f * striae[row0, (k + 1) % count]
            hi = (1 - f) * striae[row1, k % count] + f * striae[row1, (k + 1) % count]
            line = (1 - g) * lo + g * hi
            # Near the disc the striae would be finer than a fibre bundle.
            fade = min(max((away - 2.5) / 4.0, 0.0), 1.0)
            out[i, j] = thick * max(1.0 + contrast * fade * line, 0.0)


def veil_thickness(look: FibreLook, eye: Eye, anatomy: Anatomy, frame: Frame) -> Floats:
    """Return the thickness of the veil over a frame, about 1.3 beside the disc."""
    whole = _whole_veil(look.striae, eye, anatomy, frame)
    out: Floats = whole * np.float32(look.strength * anatomy.nerve_fibre)
    if look.defects:
        out *= 1 - defect_cover(look, anatomy, frame)
    return out


@lru_cache(maxsize=2)
def _whole_veil(striae: float, eye: Eye, anatomy: Anatomy, frame: Frame) -> Floats:
    """Return the veil of an eye that has lost no fibres (kept for its other severities)."""
    rng = stream(eye.seed, "fibre veil")
    upper, lower = rng.normal(1.25, 0.10, 2)
    contrast = 0.24 * striae * rng.uniform(0.6, 1.3)
    count = 420
    angles = np.arange(count) * (2 * math.pi / count)
    table = np.empty((6, count), np.float32)
    for row in range(6):
        middle = LineNoise(eye.seed, f"striae {row}", 0.045, 2 * math.pi).at(angles)
        broad = LineNoise(eye.seed, f"striae broad {row}", 0.11, 2 * math.pi).at(angles)
        table[row] = 0.70 * middle + 0.45 * broad
    wander = Noise(eye.seed, "striae wander", 2.5).over(frame)
    out = np.empty((frame.size_px, frame.size_px), np.float32)
    _veil(
        out, frame.columns, frame.rows, anatomy.disc_x, anatomy.disc_y, table, wander,
        float(upper), float(lower), contrast,
    )  # fmt: skip
    out.setflags(write=False)
    return out


@njit(cache=True, fastmath=True)
def _streak(
    linear: Floats,
    veil: Floats,
    xs: Floats,
    ys: Floats,
    disc_x: float,
    disc_y: float,
    lines: Floats,
    amount: np.float32,
) -> None:
    """Multiply fine lines along the fibres into light (see ``add_striae``)."""
    size = linear.shape[0]
    rows, count = lines.shape
    shift = FOVEA_SOURCE * math.atan2(-disc_y, -disc_x)
    scale = veil.shape[0] / size
    for i in range(size):
        y = ys[i]
        a = min(int((i + 0.5) * scale), veil.shape[0] - 1)
        for j in range(size):
            thick = veil[a, min(int((j + 0.5) * scale), veil.shape[1] - 1)]
            if thick < 0.12:
                continue
            x = xs[j]
            dx, dy = x - disc_x, y - disc_y
            away = math.sqrt(dx * dx + dy * dy)
            psi = _atan2(dy, dx) + FOVEA_SOURCE * _atan2(-y, -x) - shift
            t = psi * (count / 6.283185307179586) + 3 * count
            k = int(t)
            f = np.float32(t - k)
            s = away * 0.45
            m = int(s)
            g = np.float32(s - m)
            row0, row1 = m % rows, (m + 1) % rows
            k0, k1 = k % count, (k + 1) % count
            lo = lines[row0, k0] + f * (lines[row0, k1] - lines[row0, k0])
            hi = lines[row1, k0] + f * (lines[row1, k1] - lines[row1, k0])
            # Lines fade in where they become as wide as a fibre bundle.
            fade = np.float32(min(max((away - 2.0) / 4.0, 0.0), 1.0))
            line = amount * fade * min(thick, np.float32(1.2)) * (lo + g * (hi - lo))
            linear[i, j, 0] *= 1 + np.float32(0.45) * line
            linear[i, j, 1] *= 1 + line
            linear[i, j, 2] *= 1 + line


def add_striae(
    linear: Floats, veil: Floats, look: FibreLook, eye: Eye, anatomy: Anatomy, frame: Frame
) -> None:
    """Streak light finely along the nerve fibres where their layer is thick, in place.

    Parameters
    ----------
    linear : light at full size.
    veil : thickness of the layer on the coarse grid, from ``veil_thickness``.
    """
    count = 840
    angles = np.arange(count) * (2 * math.pi / count)
    lines = np.stack(
        [LineNoise(eye.seed, f"fine striae {n}", 0.015, 2 * math.pi).at(angles) for n in range(9)]
    )
    amount = 0.11 * look.striae * stream(eye.seed, "fine striae").uniform(0.5, 1.4)
    amount *= 0.5 + 0.6 * anatomy.lustre
    _streak(
        linear, veil, frame.columns, frame.rows, anatomy.disc_x, anatomy.disc_y, lines,
        np.float32(amount),
    )  # fmt: skip
