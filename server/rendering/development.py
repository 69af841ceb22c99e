"""Developing a photograph: the loops that turn linear light into encoded pixels.

Each does several steps in one pass over the picture, which is where a
renderer's time goes otherwise. What the numbers mean is said in
``server.rendering.camera``.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from server.rendering.blurring import gaussian
from server.rendering.eye import Picture
from server.rendering.frame import Floats
from server.rendering.streams import stream


@lru_cache(maxsize=1)
def noise_tile() -> Floats:
    """Return one tile of unit sensor noise, shape (2, 512, 512): blurred and sharp."""
    white = stream(0, "sensor noise").normal(size=(2, 512, 512)).astype(np.float32)
    coarse = gaussian(np.pad(white[0], 8, mode="wrap"), 0.9)[8:-8, 8:-8]
    return np.stack([coarse / coarse.std(), white[1]]).astype(np.float32)


@njit(cache=True, fastmath=True)
def illuminate(
    linear: Floats, fall: float, lamp_x: float, lamp_y: float, gain: Floats, blue: np.float32
) -> None:
    """Apply lamp, white balance and the yellow of the lens, in place."""
    size = linear.shape[0]
    for i in range(size):
        y = (2.0 * i + 1.0) / size - 1.0 - lamp_y
        for j in range(size):
            x = (2.0 * j + 1.0) / size - 1.0 - lamp_x
            q2 = x * x + y * y
            beam = 1.10 - fall * q2 - 0.25 * fall * q2 * q2
            if beam < 0.5:
                # Outside the beam there is still scattered light, fading without an edge.
                beam = 0.5 * math.exp(2.0 * beam - 1.0)
            lit = np.float32(beam)
            linear[i, j, 0] *= lit * gain[0]
            linear[i, j, 1] *= lit * gain[1]
            linear[i, j, 2] *= lit * gain[2] * blue


@njit(cache=True, fastmath=True)
def luminance(colour: Floats) -> np.float32:
    """Return the luminance of one encoded pixel."""
    red, green, blue = np.float32(0.30), np.float32(0.59), np.float32(0.11)
    return np.float32(red * colour[0] + green * colour[1] + blue * colour[2])


@njit(cache=True, fastmath=True)
def develop(
    sharp: Floats,
    wide: Floats,
    step: int,
    grey: Floats,
    halation: np.float32,
    haze: np.float32,
    veil: Floats,
    fringe: np.float32,
    rim: np.float32,
    rim_angle: float,
    rim_colour: Floats,
    table: Floats,
    bounds: NDArray[np.int64],
) -> None:
    """Scatter, fringe and encode light, in place; write its luminance.

    ``wide`` is the scattered light on a grid ``step`` times coarser, enlarged here row by
    row: neither it nor the encoded picture needs an array of full size. Nothing is done
    outside the columns that ``bounds`` gives for each row, where no field is.
    """
    size = sharp.shape[0]
    rows, columns = wide.shape[0], wide.shape[1]
    line = np.empty((columns, 3), np.float32)
    # The rows as they were before they were encoded.
    up = np.empty((size, 3), np.float32)
    here, down = sharp[0].copy(), sharp[0].copy()
    half = np.float32(0.5 * (size - 1))
    unit = np.float32(1.0) / half
    top = np.float32(table.size - 2)
    one = np.float32(1.0)
    cos, sin = np.float32(math.cos(rim_angle)), np.float32(math.sin(rim_angle))
    keep = (one - halation) * (one - np.float32(0.55) * haze)
    scatter = halation + np.float32(0.25) * haze
    flat = np.float32(0.38) * haze
    base = np.empty(3, np.float32)
    for c in range(3):
        base[c] = flat * (np.float32(0.85) * veil[c] + np.float32(0.15) * veil[1])
        base[c] += np.float32(0.004) * veil[0]
    scale = top / np.float32(math.sqrt(8.0))
    edge = np.zeros(size, np.float32)
    # Where each column lies between those of the scattered light.
    left, part = np.empty(size, np.int32), np.empty(size, np.float32)
    for j in range(size):
        across = min(max((j + 0.5) / step - 0.5, 0.0), columns - 1.0)
        left[j] = min(int(across), max(columns - 2, 0))
        part[j] = across - left[j]
    for i in range(size):
        y = (i - half) * unit
        nearer = min(max((i + 0.5) / step - 0.5, 0.0), rows - 1.0)
        m = min(int(nearer), max(rows - 2, 0))
        below, f = min(m + 1, rows - 1), np.float32(nearer - m)
        for j in range(columns):
            for c in range(3):
                line[j, c] = wide[m, j, c] + f * (wide[below, j, c] - wide[m, j, c])
        up[:] = here
        here[:] = down
        if i + 1 < size:
            down[:] = sharp[i + 1]
        start, stop = bounds[i, 0], bounds[i, 1]
        for j in range(start, stop):
            x = (j - half) * unit
            r2 = x * x + y * y
            edge[j] = np.float32(0.0)
            if r2 > np.float32(0.3844):
                # Stray light creeps in at the rim, mostly on one side.
                r = np.float32(math.sqrt(r2))
                t = min((r - np.float32(0.62)) / np.float32(0.42), one)
                side = np.float32(0.55) + np.float32(0.45) * (x * cos + y * sin) / r
                edge[j] = rim * t * t * (np.float32(3.0) - np.float32(2.0) * t) * side * side
        row = sharp[i]
        for j in range(start, stop):
            a, g = left[j], part[j]
            b = min(a + 1, columns - 1)
            for c in range(3):
                far = line[a, c] + g * (line[b, c] - line[a, c])
                row[j, c] = keep * here[j, c] + scatter * far + base[c] + edge[j] * rim_colour[c]
        # Red is imaged a little larger than green and blue a little smaller:
        # a shift along the radius of less than a pixel, so its slope will do.
        for j in range(start, stop):
            x = (j - half) * unit
            shift = keep * np.float32(0.5) * fringe * (x * x + y * y) * half
            before, after = max(j - 1, 0), min(j + 1, size - 1)
            for c in (0, 2):
                slope = x * (here[after, c] - here[before, c]) + y * (down[j, c] - up[j, c])
                row[j, c] += np.float32(1 - c) * shift * slope
        flat = row.reshape(3 * size)
        for j in range(3 * start, 3 * stop):
            value = min(max(flat[j], np.float32(0.0)), np.float32(7.99))
            position = np.float32(math.sqrt(value)) * scale
            k = np.int32(position)
            flat[j] = table[k] + (position - np.float32(k)) * (table[k + 1] - table[k])
        for j in range(start, stop):
            grey[i, j] = luminance(row[j])


@njit(cache=True)
def highlight(grey: Any) -> Any:
    """Return the share of its colour that a light of that luminance (0 to 1) loses.

    Takes a number or an array of them, and returns the like.

    Near white every channel is at its end: what is brightest pales instead of turning
    lemon or orange (common practice of cameras and film, no source).
    """
    t = np.minimum(np.maximum((grey - 0.72) / 0.28, 0.0), 1.0)
    return 0.4 * t * t


@njit(cache=True, fastmath=True)
def finish(
    encoded: Floats,
    soft: Floats,
    cover: NDArray[np.uint8],
    tile: Floats,
    shift: NDArray[np.int64],
    sharpen: np.float32,
    saturation: np.float32,
    noise: np.float32,
    bounds: NDArray[np.int64],
    out: Picture,
) -> None:
    """Sharpen, saturate, add noise, cut the field out and round to 8 bits.

    ``soft`` is the blurred luminance, for the unsharp mask. Outside ``bounds`` (first
    column of each row and the one after its last) the picture is black.
    """
    size = soft.shape[0]
    tint = np.array([0.6, -0.4, 1.0], np.float32) * np.float32(0.30)
    unit = noise / np.float32(255.0)
    one = np.float32(1.0)
    for i in range(size):
        a, b = (i + shift[0]) & 511, (i + shift[2]) & 511
        out[i] = np.uint8(2)
        for j in range(bounds[i, 0], bounds[i, 1]):
            seen = np.float32(cover[i, j]) * np.float32(1 / 255)
            g = luminance(encoded[i, j])
            j0, j1 = (j + shift[1]) & 511, (j + shift[3]) & 511
            # Noise grows in the shadows once they are lifted by the tone curve.
            grain = np.float32(0.8) * tile[0, a, j0] + np.float32(0.5) * tile[1, b, j1]
            common = sharpen * (g - soft[i, j])
            common += grain * unit * (np.float32(1.15) - np.float32(0.5) * g)
            own = tile[1, a, j1] * unit
            vivid = saturation * (one - highlight(float(g)))
            for c in range(3):
                value = g + vivid * (encoded[i, j, c] - g) + common + own * tint[c]
                value = min(max(value * np.float32(255.0), np.float32(0.0)), np.float32(255.0))
                value = value * seen + np.float32(2.0) * (np.float32(1.0) - seen)
                out[i, j, c] = np.uint8(value + np.float32(0.5))
