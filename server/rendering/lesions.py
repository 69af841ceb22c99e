"""Tools that findings paint with: spots, ragged patches, lifting and absorbing light.

Covers are float32 maps from 0 (not there) to 1 (fully there), of a frame's or
a crop's shape. Light is linear RGB of shape (..., 3), changed in place.
Sizes are in degrees (one degree is 0.29 mm, 290 micrometres).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numba import njit
from numpy.typing import ArrayLike, NDArray

from server.rendering.blurring import gaussian
from server.rendering.eye import MM_PER_DEGREE
from server.rendering.frame import Crop, Floats, Frame
from server.rendering.noise import Noise

# Absorption of a layer of blood of unit thickness in red, green and blue:
# nearly transparent in red, opaque in green (haemoglobin spectra, Prahl).
BLOOD = (0.66, 2.40, 2.10)
# Melanin falls steadily from blue to red (Jacques 2013: wavelength^-3.5).
MELANIN = (0.72, 1.00, 1.32)

Triple = tuple[float, float, float]


def smoothstep(low: float, high: float, value: ArrayLike) -> NDArray[np.floating]:
    """Return 0 below ``low``, 1 above ``high``, a smooth cubic between."""
    value = np.asarray(value)
    t = np.clip((value - low) / (high - low), 0.0, 1.0)
    return t * t * (3.0 - 2.0 * t)


def grown(severity: float, onset: ArrayLike, over: float = 0.3) -> NDArray[np.float64]:
    """Return how far each item has grown (0 to 1) at a severity.

    Items begin at their ``onset`` and are complete ``over`` later; so the
    items of a lower severity are always among those of a higher one.
    """
    onset = np.asarray(onset, float)
    return np.asarray(smoothstep(0.0, 1.0, (severity - onset) / over), float)


def absorb(light: Floats, thickness: Floats, colour: Triple = BLOOD) -> None:
    """Pass light through an absorber: ``I *= exp(-colour * thickness)``, in place."""
    _absorb(light, np.ascontiguousarray(thickness, np.float32), *map(np.float32, colour))


def lift(light: Floats, cover: Floats, factor: Triple) -> None:
    """Multiply light by ``factor`` where ``cover`` is 1 and less in proportion, in place."""
    _lift(light, np.ascontiguousarray(cover, np.float32), *(np.float32(f - 1) for f in factor))


def blend(light: Floats, cover: Floats, other: Floats | Triple) -> None:
    """Replace light by another picture or one colour in proportion to ``cover``, in place."""
    for channel in range(3):
        new = other[channel] if isinstance(other, tuple) else other[..., channel]
        light[..., channel] += cover * (np.float32(1) * new - light[..., channel])


# Most lesions cover little of what they are painted over: the loops pass the rest by, and
# need no arrays in between.


@njit(cache=True, fastmath=True)
def _absorb(
    light: Floats, thickness: Floats, red: np.float32, green: np.float32, blue: np.float32
) -> None:
    for i in range(thickness.shape[0]):
        for j in range(thickness.shape[1]):
            t = thickness[i, j]
            if t != np.float32(0.0):
                light[i, j, 0] *= math.exp(-red * t)
                light[i, j, 1] *= math.exp(-green * t)
                light[i, j, 2] *= math.exp(-blue * t)


@njit(cache=True, fastmath=True)
def _lift(
    light: Floats, cover: Floats, red: np.float32, green: np.float32, blue: np.float32
) -> None:
    for i in range(cover.shape[0]):
        for j in range(cover.shape[1]):
            t = cover[i, j]
            if t != np.float32(0.0):
                light[i, j, 0] *= np.float32(1.0) + red * t
                light[i, j, 1] *= np.float32(1.0) + green * t
                light[i, j, 2] *= np.float32(1.0) + blue * t


def add_light(light: Floats, cover: Floats, colour: Triple) -> None:
    """Add reflected light of a colour in proportion to ``cover``, in place."""
    for channel in range(3):
        light[..., channel] += np.float32(colour[channel]) * cover


def local_colour(light: Floats, crop: Crop, x: float, y: float, frame: Frame) -> Triple:
    """Return the mean light within a quarter of a degree of a canonical point.

    The point is brought to the nearest place inside the crop.
    """
    column, row = frame.to_pixels(x, y)
    half = max(int(0.25 * frame.px_per_degree), 1)
    i = int(np.clip(row - crop.top, half, max(crop.shape[0] - half - 1, half)))
    j = int(np.clip(column - crop.left, half, max(crop.shape[1] - half - 1, half)))
    patch = light[crop.slices][max(i - half, 0) : i + half + 1, max(j - half, 0) : j + half + 1]
    r, g, b = patch.reshape(-1, 3).mean(axis=0)
    return float(r), float(g), float(b)


@njit(cache=True, fastmath=True)
def _spots(
    out: Floats,
    left: float,
    top: float,
    step: float,
    xs: NDArray[np.float64],
    ys: NDArray[np.float64],
    radii: NDArray[np.float64],
    edges: NDArray[np.float64],
    strengths: NDArray[np.float64],
    aspects: NDArray[np.float64],
    turns: NDArray[np.float64],
    ripples: NDArray[np.float64],
    add: bool,
) -> None:
    """Rasterise rippled ellipses; ``left``, ``top`` is the middle of pixel (0, 0)."""
    height, width = out.shape
    for n in range(xs.size):
        radius = radii[n]
        if radius <= 0 or strengths[n] <= 0:
            continue
        edge = max(edges[n], 0.6 * step)
        # A spot smaller than a pixel keeps its total light: a soft edge adds a
        # fifth of its squared half-width to the squared radius of the area.
        drawn = max(radius, 0.5 * step)
        share = (radius * radius + 0.2 * edges[n] ** 2) / (drawn * drawn + 0.2 * edge * edge)
        strength = strengths[n] * min(1.0, share)
        reach = drawn * max(aspects[n], 1.0 / aspects[n]) ** 0.5 * 1.7 + edge + step
        i0 = max(int((ys[n] - reach - top) / step), 0)
        i1 = min(int((ys[n] + reach - top) / step) + 2, height)
        j0 = max(int((xs[n] - reach - left) / step), 0)
        j1 = min(int((xs[n] + reach - left) / step) + 2, width)
        cos, sin = math.cos(turns[n]), math.sin(turns[n])
        root = math.sqrt(aspects[n])
        for i in range(i0, i1):
            dy = top + i * step - ys[n]
            for j in range(j0, j1):
                dx = left + j * step - xs[n]
                u = (dx * cos + dy * sin) / root
                v = (-dx * sin + dy * cos) * root
                r = math.sqrt(u * u + v * v)
                if r > drawn * 1.7 + edge + step:
                    continue
                bound = drawn
                if ripples.shape[1] > 0 and r > 1e-9:
                    # Harmonics of the angle from the first by recurrence.
                    c1, s1 = u / r, v / r
                    c, s = c1, s1
                    wave = 0.0
                    for k in range(ripples.shape[1] // 2):
                        c, s = c * c1 - s * s1, s * c1 + c * s1
                        wave += ripples[n, 2 * k] * c + ripples[n, 2 * k + 1] * s
                    bound = drawn * max(1.0 + wave, 0.25)
                t = (bound - r) / edge * 0.5 + 0.5
                if t <= 0.0:
                    continue
                t = min(t, 1.0)
                cover = strength * t * t * (3.0 - 2.0 * t)
                if add:
                    out[i, j] += cover
                elif cover > out[i, j]:
                    out[i, j] = cover


def spots(
    frame: Frame,
    x: ArrayLike,
    y: ArrayLike,
    radius: ArrayLike,
    *,
    edge: ArrayLike = 0.03,
    strength: ArrayLike = 1.0,
    aspect: ArrayLike = 1.0,
    turn: ArrayLike = 0.0,
    ripples: NDArray[np.float64] | None = None,
    crop: Crop | None = None,
    add: bool = False,
) -> Floats:
    """Return the cover of many small spots (drusen, dots, blots, exudates, clumps).

    Parameters
    ----------
    frame : where to paint.
    x, y : middles, canonical degrees, shape (n,).
    radius : radii in degrees; 0 leaves a spot out.
    edge : half-width of the soft edge, degrees.
    strength : cover in the middle.
    aspect : length over width.
    turn : direction of the long axis, radians.
    ripples : shape (n, 2k): cosine and sine amplitudes of the outline's
        harmonics 2, 3, ... (see ``draw_ripples``); None for plain ellipses.
    crop : the part of the frame to paint; None for all of it.
    add : add overlapping spots up (thickness) instead of taking the greatest.

    Returns
    -------
    float32 array of the frame's or the crop's shape.
    """
    x = np.atleast_1d(np.asarray(x, float))
    n = x.size
    crop = crop or Crop(0, frame.size_px, 0, frame.size_px)
    out = np.zeros(crop.shape, np.float32)
    if n == 0 or crop.empty:
        return out

    def each(value: ArrayLike) -> NDArray[np.float64]:
        # A copy, so that the loop is compiled once: for writable arrays without strides.
        return np.array(np.broadcast_to(np.asarray(value, float), (n,)))

    _spots(
        out, float(frame.columns[crop.left]), float(frame.rows[crop.top]), frame.degrees_per_px,
        each(x), each(y), each(radius), each(edge), each(strength), each(aspect), each(turn),
        np.zeros((n, 0)) if ripples is None else np.ascontiguousarray(ripples, float), add,
    )  # fmt: skip
    return out


def draw_ripples(
    rng: np.random.Generator, count: int, size: float = 0.12, harmonics: int = 6
) -> NDArray[np.float64]:
    """Draw outlines for ``spots``: (count, 2 * harmonics) amplitudes, falling with order.

    ``size`` is the relative irregularity: 0.05 nearly round, 0.2 ragged.
    """
    order = np.arange(2, 2 + harmonics)
    fall = size * (2.0 / order) ** 0.8
    return rng.normal(size=(count, harmonics, 2)).reshape(count, -1) * np.repeat(fall, 2)


def patch(
    frame: Frame,
    seed: int,
    layer: str,
    outline: Sequence[tuple[float, float, float]],
    *,
    edge: float = 0.06,
    raggedness: float = 0.25,
    cell: float = 0.9,
    join: float = 0.5,
    crop: Crop | None = None,
) -> Floats:
    """Return the cover of one large irregular area (atrophy, blood, fluid, a naevus).

    The area is the smooth union of discs with a boundary displaced by noise
    of the retina, so it is scalloped rather than a blob of one recipe.

    Parameters
    ----------
    frame, crop : where to paint.
    seed, layer : the noise's key; use ``scene.eye.seed``.
    outline : (x, y, radius) of the discs, canonical degrees.
    edge : half-width of the soft edge, degrees.
    raggedness : displacement of the boundary, degrees, at the largest scale.
    cell : scale of the raggedness, degrees; two finer ones follow.
    join : how far neighbouring discs flow together, degrees.
    """
    crop = crop or Crop(0, frame.size_px, 0, frame.size_px)
    xs, ys = frame.degrees(crop)
    level = np.full(crop.shape, np.float32(-1e3))
    soft = np.float32(max(join, 1e-3))
    for x, y, radius in outline:
        if radius <= 0:
            continue
        inside = np.float32(radius) - np.hypot(xs - np.float32(x), ys - np.float32(y))
        # Smooth maximum (polynomial), so that discs meet in a neck, not a cusp.
        h = np.clip(soft - np.abs(level - inside), 0, None) / soft
        level = np.maximum(level, inside) + h * h * soft * np.float32(0.25)
    if level.size and float(level.max()) > -3 * raggedness - edge:
        for k, gain in ((1.0, 1.0), (0.42, 0.45), (0.17, 0.20)):
            noise = Noise(seed, f"{layer} edge", cell * k)
            noise.add_to(level, frame, raggedness * gain * 0.5, crop)
    return np.asarray(smoothstep(-edge, edge, level), np.float32)


def blur(image: Floats, sigma_px: float) -> Floats:
    """Return a two-dimensional array blurred by a Gaussian (edge pixels repeated)."""
    return gaussian(image, sigma_px)


def diameters_um(radius_deg: ArrayLike) -> NDArray[np.float64]:
    """Return diameters in micrometres of radii in degrees (24 mm eye)."""
    return 2000.0 * MM_PER_DEGREE * np.asarray(radius_deg, float)


def area_mm2(cover: Floats, frame: Frame, threshold: float = 0.5) -> float:
    """Return the area of a cover above a threshold, square millimetres of retina."""
    return float((cover > threshold).sum()) / frame.px_per_mm**2
