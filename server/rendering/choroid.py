"""The choroid's large vessels, seen through a thin pigment layer (tessellation).

Ribbons of 100 to 300 micrometres run in a branching, anastomosing net from
the posterior pole towards the four vortex veins. White noise is smeared along
that course (a line integral), which gives ribbons that fork and join as the
noise has it, and sharpened to vessels and the dark islands between them.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from server.rendering.anatomy import Anatomy
from server.rendering.blurring import enlarge, gaussian
from server.rendering.eye import Eye
from server.rendering.frame import Floats, Frame
from server.rendering.noise import Noise
from server.rendering.streams import stream

# Ampullae of the vortex veins, in the canonical frame: behind the equator,
# two on each side, above and below (their distance is shortened, as the
# picture's flat degrees are).
_VORTICES = ((-44.0, -40.0), (36.0, -42.0), (-44.0, 40.0), (36.0, 42.0))
_PX_PER_DEGREE = 5.0


@njit(cache=True, fastmath=True)
def _smear(noise: Floats, u: Floats, v: Floats, steps: int, out: Floats) -> None:
    """Average noise along the lines of the direction field (u, v), both ways.

    Steps are two pixels long: the noise is smooth over that distance.
    """
    height, width = noise.shape
    for i in range(height):
        for j in range(width):
            total = noise[i, j]
            weight = 1.0
            for way in (-1.0, 1.0):
                x, y = float(j), float(i)
                px, py = 2.0 * u[i, j] * way, 2.0 * v[i, j] * way
                for n in range(1, steps + 1):
                    x += px
                    y += py
                    a, b = int(y + 0.5), int(x + 0.5)
                    if a < 0 or b < 0 or a >= height or b >= width:
                        break
                    w = 1.0 - (n / (steps + 1.0)) ** 2
                    total += w * noise[a, b]
                    weight += w
                    # A direction has no sign: keep going the way we came.
                    du, dv = 2.0 * u[a, b], 2.0 * v[a, b]
                    if du * px + dv * py < 0:
                        du, dv = -du, -dv
                    px, py = du, dv
            out[i, j] = total / math.sqrt(weight)


def ribbons(eye: Eye, anatomy: Anatomy, frame: Frame) -> Floats:
    """Return how much of a choroidal vessel lies at each point, 0 (island) to 1 (vessel).

    Parameters
    ----------
    frame : the grid wanted; the net itself is made on a fixed coarse grid, so
        it is the same at every size.
    """
    rng = stream(eye.seed, "choroid")
    width_deg = rng.uniform(0.42, 0.60)
    bend = rng.uniform(0.40, 0.70)
    turn = rng.choice((-1.0, 1.0)) * rng.uniform(0.6, 1.1)
    # The line integral needs the net's surroundings: a wider, coarser frame,
    # on a grid fixed to the retina so that any field shows the same net.
    pitch = 1.0 / _PX_PER_DEGREE
    margin = 3.2
    left = math.floor((frame.left_deg - margin) / pitch)
    top = math.floor((frame.top_deg - margin) / pitch)
    size = math.ceil((frame.field_deg + 2 * margin) / pitch) + 2
    middle = ((left + size / 2) * pitch, (top + size / 2) * pitch)
    wide = Frame(size * pitch, middle, size)

    xs, ys = wide.x, wide.y
    u, v = np.zeros_like(xs), np.zeros_like(ys)
    for n, (x, y) in enumerate(_VORTICES):
        jitter = stream(eye.seed, f"vortex {n}").normal(0, 4.0, 2)
        dx, dy = np.float32(x + jitter[0]) - xs, np.float32(y + jitter[1]) - ys
        near = 1.0 / (dx * dx + dy * dy + 30.0)
        # Doubled angles: directions without a sign can be added and averaged.
        u += (dx * dx - dy * dy) * near * near
        v += 2 * dx * dy * near * near
    angle: Floats = np.float32(0.5) * np.arctan2(v, u)
    angle += np.float32(bend) * (
        0.75 * Noise(eye.seed, "choroid course", 5.0).over(wide)
        + 0.55 * Noise(eye.seed, "choroid bends", 2.4).over(wide)
    )
    # Long ribbons, and fainter cross-links at an angle to them: the links join
    # neighbours and leave lozenges of stroma between, as in a real choroid.
    main = _ribbon_set(eye, "main", angle, width_deg, 8, wide)
    links = _ribbon_set(eye, "links", np.add(angle, np.float32(turn)), 0.8 * width_deg, 4, wide)
    # Here a vessel lies plainly behind the pigment, there it is hardly seen: even
    # stripes would look like sand under water.
    main *= np.clip(0.80 + 0.50 * Noise(eye.seed, "choroid depth", 3.2).over(wide), 0.05, 1.6)
    band = np.maximum(main, np.float32(1.0) * links - np.float32(0.45))
    span = frame.field_deg / pitch
    out = _window(band, wide, frame, span)
    # Where the net lies is decided on the coarse grid, how sharp its walls are here.
    share = 0.30 * rng.random() - 0.05
    return np.asarray(0.5 + 0.5 * np.tanh(np.float32(0.85) * (out + np.float32(share))), np.float32)


def _ribbon_set(
    eye: Eye, name: str, course: Floats, width_deg: float, steps: int, wide: Frame
) -> Floats:
    """Return ribbons along a course (radians) on the net's grid, about unit variance."""
    # Two scales of noise, or all ribbons would be of one width.
    field = Noise(eye.seed, f"choroid {name}", width_deg * 0.85).over(wide)
    field += np.float32(0.95) * Noise(eye.seed, f"choroid {name} broad", width_deg * 2.2).over(wide)
    smeared = np.empty_like(field)
    _smear(field, np.cos(course), np.sin(course), steps, smeared)
    band = gaussian(smeared, 0.11 * _PX_PER_DEGREE)
    band -= gaussian(smeared, 1.5 * width_deg * _PX_PER_DEGREE)
    # The typical spread, not this window's own: another field must show the same net.
    return band / np.float32(2.9 * width_deg)


def _window(image: Floats, wide: Frame, frame: Frame, span: float) -> Floats:
    """Cut a frame out of the wider one and bring it to the frame's pixels."""
    ppd = wide.px_per_degree
    start_x = (frame.left_deg - wide.left_deg) * ppd
    start_y = (frame.top_deg - wide.top_deg) * ppd
    i, j = math.floor(start_y), math.floor(start_x)
    count = math.ceil(span) + 3
    # Enlargement starts at a whole pixel: shift by the fraction through a
    # slightly larger canvas and a crop in the fine grid.
    block = image[i : i + count, j : j + count]
    fine = frame.size_px / span
    offset_y, offset_x = round((start_y - i) * fine), round((start_x - j) * fine)
    total = math.ceil(count * fine)
    big = enlarge(block, (total, total), (total / fine, total / fine))
    return big[offset_y : offset_y + frame.size_px, offset_x : offset_x + frame.size_px]
