"""Band-limited noise fixed to the retina, not to the picture.

A lattice of independent N(0, 1) values, one per cell of a given size in
degrees, is interpolated with a cubic B-spline. The lattice is indexed by
retinal position, so any picture size, field or centre shows the same eye.
Lattice values come from an integer hash of (key, row, column) rather than
from a stored array: the retina is covered without limit and nothing is drawn
that is not looked at.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from server.rendering.frame import Crop, Floats, Frame
from server.rendering.streams import digest

# Variance of a uniform cubic B-spline of white noise averaged over a cell is
# (151/315)^2 in two dimensions; its inverse root brings the noise back to
# unit variance.
_UNIT_2D = 315.0 / 151.0
_UNIT_1D = math.sqrt(315.0 / 151.0)


def key(seed: int, layer: str) -> int:
    """Return the 32-bit lattice key of one noise layer of one eye."""
    return int.from_bytes(digest(seed, layer)[:4], "little")


@njit(cache=True)
def scramble(value: int) -> int:
    """Mix the bits of a 32-bit integer (a well-known xor-shift-multiply finaliser)."""
    value &= 0xFFFFFFFF
    value ^= value >> 16
    value = (value * 0x7FEB352D) & 0xFFFFFFFF
    value ^= value >> 15
    value = (value * 0x846CA68B) & 0xFFFFFFFF
    value ^= value >> 16
    return value


@njit(cache=True)
def lattice_values(key: int, row0: int, column0: int, rows: int, columns: int) -> Floats:
    """Return N(0, 1) lattice values of a block, float32, shape (rows, columns).

    A value depends only on the key and its absolute row and column (which may
    be negative).
    """
    out = np.empty((rows, columns), np.float32)
    for i in range(rows):
        down = scramble(key + 0x9E3779B9 * ((row0 + i) & 0xFFFF))
        for j in range(columns):
            first = scramble(down + 0x85EBCA6B * ((column0 + j) & 0xFFFF))
            second = scramble(first + 0xC2B2AE35)
            # Box-Muller; the + 1 keeps the logarithm finite.
            radius = math.sqrt(-2.0 * math.log((first + 1.0) / 4294967296.0))
            out[i, j] = radius * math.cos(6.283185307179586 * second / 4294967296.0)
    return out


@njit(cache=True)
def _weights(t: float) -> tuple[float, float, float, float]:
    """Return the four cubic B-spline weights at the fraction ``t`` of a cell."""
    s = 1.0 - t
    return (
        s * s * s / 6.0,
        (3.0 * t * t * t - 6.0 * t * t + 4.0) / 6.0,
        (3.0 * s * s * s - 6.0 * s * s + 4.0) / 6.0,
        t * t * t / 6.0,
    )


@njit(cache=True, fastmath=True)
def _expand(
    lattice: Floats,
    out: Floats,
    x0: float,
    y0: float,
    step: float,
    gain: float,
) -> None:
    """Add ``gain`` times the interpolated lattice to ``out``.

    ``x0``, ``y0`` are the lattice coordinates of pixel (0, 0) within
    ``lattice`` and ``step`` the cells per pixel. Separable: each lattice row
    is expanded along x once, then rows are mixed along y.
    """
    height, width = out.shape
    n_rows = lattice.shape[0]
    wide = np.zeros((n_rows, width), np.float32)
    for j in range(width):
        u = x0 + j * step
        k = int(math.floor(u))
        a, b, c, d = _weights(u - k)
        fa, fb, fc, fd = np.float32(a), np.float32(b), np.float32(c), np.float32(d)
        for r in range(n_rows):
            wide[r, j] = (
                fa * lattice[r, k - 1]
                + fb * lattice[r, k]
                + fc * lattice[r, k + 1]
                + fd * lattice[r, k + 2]
            )
    for i in range(height):
        v = y0 + i * step
        k = int(math.floor(v))
        a, b, c, d = _weights(v - k)
        fa, fb = np.float32(a * gain), np.float32(b * gain)
        fc, fd = np.float32(c * gain), np.float32(d * gain)
        for j in range(width):
            out[i, j] += (
                fa * wide[k - 1, j] + fb * wide[k, j] + fc * wide[k + 1, j] + fd * wide[k + 2, j]
            )


@njit(cache=True, fastmath=True)
def _sample(lattice: Floats, row0: int, column0: int, u: Floats, v: Floats, gain: float) -> Floats:
    """Return the interpolated lattice at the given lattice coordinates (flat arrays)."""
    out = np.empty(u.size, np.float32)
    for n in range(u.size):
        ku = int(math.floor(u[n]))
        kv = int(math.floor(v[n]))
        wu = _weights(u[n] - ku)
        wv = _weights(v[n] - kv)
        total = 0.0
        for i in range(4):
            for j in range(4):
                total += wv[i] * wu[j] * lattice[kv - 1 + i - row0, ku - 1 + j - column0]
        out[n] = gain * total
    return out


class Noise:
    """N(0, 1) noise of one cell size, fixed to one eye's retina.

    Parameters
    ----------
    seed : the eye's seed.
    layer : name of the layer; two layers are independent.
    cell : size of a lattice cell in degrees (features are about that size).

    Notes
    -----
    Cells smaller than a pixel would alias; as a finite pixel averages them,
    the noise is faded by the pixel's transfer: below 1.5 pixels per cell the
    amplitude falls with the number of cells a pixel averages.
    """

    def __init__(self, seed: int, layer: str, cell: float) -> None:
        self.cell = cell
        self._key = key(seed, f"noise {layer} {cell:g}")

    def add_to(
        self, out: Floats, frame: Frame, gain: float = 1.0, crop: Crop | None = None
    ) -> None:
        """Add ``gain`` times the noise to ``out`` (the frame's or the crop's pixels)."""
        crop = crop or Crop(0, frame.size_px, 0, frame.size_px)
        if crop.empty:
            return
        step = frame.degrees_per_px / self.cell
        visible = min(1.0, 0.7 / step) if step > 0.7 else 1.0
        x0 = float(frame.columns[crop.left]) / self.cell
        y0 = float(frame.rows[crop.top]) / self.cell
        height, width = crop.shape
        column0, row0 = math.floor(x0) - 2, math.floor(y0) - 2
        lattice = lattice_values(
            self._key, row0, column0, int(height * step) + 7, int(width * step) + 7
        )
        _expand(lattice, out, x0 - column0, y0 - row0, step, gain * visible * _UNIT_2D)

    def over(self, frame: Frame, crop: Crop | None = None) -> Floats:
        """Return the noise over a frame, or over a crop of it, float32."""
        shape = crop.shape if crop is not None else (frame.size_px, frame.size_px)
        out = np.zeros(shape, np.float32)
        self.add_to(out, frame, 1.0, crop)
        return out

    def at(self, x: NDArray[np.floating], y: NDArray[np.floating]) -> Floats:
        """Return the noise at canonical points (degrees), in the points' shape."""
        u = np.ascontiguousarray(np.asarray(x, np.float32).ravel() / np.float32(self.cell))
        v = np.ascontiguousarray(np.asarray(y, np.float32).ravel() / np.float32(self.cell))
        if u.size == 0:
            return np.zeros(np.shape(x), np.float32)
        column0, row0 = math.floor(float(u.min())) - 2, math.floor(float(v.min())) - 2
        rows = math.floor(float(v.max())) - row0 + 4
        columns = math.floor(float(u.max())) - column0 + 4
        lattice = lattice_values(self._key, row0, column0, rows, columns)
        values: Floats = _sample(lattice, row0, column0, u, v, _UNIT_2D)
        return np.reshape(values, np.shape(x))


def octaves(
    seed: int,
    layer: str,
    cells: tuple[float, ...],
    gains: tuple[float, ...],
    frame: Frame,
    crop: Crop | None = None,
) -> Floats:
    """Return a sum of noises of several cell sizes (degrees), float32."""
    shape = crop.shape if crop is not None else (frame.size_px, frame.size_px)
    out = np.zeros(shape, np.float32)
    for cell, gain in zip(cells, gains, strict=True):
        Noise(seed, layer, cell).add_to(out, frame, gain, crop)
    return out


@njit(cache=True, fastmath=True)
def _along(t: NDArray[np.float64], values: Floats, cell: float, out: Floats) -> None:
    """Write the interpolated ring of values at the coordinates ``t``."""
    n = values.size
    for i in range(t.size):
        u = t[i] / cell
        k = int(math.floor(u))
        a, b, c, d = _weights(u - k)
        k %= n
        out[i] = _UNIT_1D * (
            a * values[k - 1 if k else n - 1]
            + b * values[k]
            + c * values[(k + 1) % n]
            + d * values[(k + 2) % n]
        )


class LineNoise:
    """N(0, 1) noise along a line (an angle, a stream function, a length).

    Parameters
    ----------
    seed : the eye's seed.
    layer : name of the layer.
    cell : lattice cell in units of the coordinate.
    period : length after which the line closes on itself, or None. The cell
        is adjusted so that a whole number of cells fits.
    """

    def __init__(self, seed: int, layer: str, cell: float, period: float | None = None) -> None:
        self._count = 4096 if period is None else max(3, round(period / cell))
        self._cell = cell if period is None else period / self._count
        self._values = lattice_values(key(seed, f"line {layer} {cell:g}"), 0, 0, 1, self._count)[0]

    def at(self, t: NDArray[np.floating] | float) -> Floats:
        """Return the noise at coordinates ``t``, float32, in their shape."""
        points = np.asarray(t, np.float64)
        out = np.empty(points.size, np.float32)
        _along(np.ascontiguousarray(points).ravel(), self._values, self._cell, out)
        return out.reshape(points.shape)
