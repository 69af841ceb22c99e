"""Gaussian blur of float32 pictures; wide blurs work on a reduced picture."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from server.rendering.frame import Crop, Floats


@njit(cache=True, fastmath=True)
def _blur(source: Floats, kernel: Floats, channels: int, out: Floats) -> None:
    """Blur (rows, columns * channels) along both axes, repeating the edges.

    ``out`` may be ``source`` itself: the rows still needed are kept.
    """
    rows, width = source.shape
    half = kernel.size // 2
    pad = half * channels
    line = np.empty(width + 2 * pad, np.float32)
    kept = np.empty((half + 1, width), np.float32)
    for i in range(rows):
        kept[i % (half + 1)] = source[i]
        middle = line[pad : pad + width]
        _weigh(middle, kept[i % (half + 1)], kernel[half])
        # Symmetric kernel: rows above and below share a weight, one multiply for two.
        for n in range(1, half, 2):
            _add_two(
                middle,
                kept[max(i - n, 0) % (half + 1)], source[min(i + n, rows - 1)], kernel[half + n],
                kept[max(i - n - 1, 0) % (half + 1)], source[min(i + n + 1, rows - 1)],
                kernel[half + n + 1],
            )  # fmt: skip
        if half % 2:
            up, down = kept[max(i - half, 0) % (half + 1)], source[min(i + half, rows - 1)]
            _add(middle, up, down, kernel[2 * half])
        for j in range(pad):
            line[j] = line[pad + j % channels]
            line[pad + width + j] = line[pad + width - channels + j % channels]
        row = out[i]
        _weigh(row, middle, kernel[half])
        for n in range(1, half, 2):
            near, far = n * channels, (n + 1) * channels
            _add_two(
                row,
                line[pad - near :], line[pad + near :], kernel[half + n],
                line[pad - far :], line[pad + far :], kernel[half + n + 1],
            )  # fmt: skip
        if half % 2:
            _add(row, line, line[2 * pad :], kernel[2 * half])


@njit(cache=True, fastmath=True)
def _weigh(out: Floats, values: Floats, weight: np.float32) -> None:
    for j in range(out.size):
        out[j] = weight * values[j]


@njit(cache=True, fastmath=True)
def _add(out: Floats, a: Floats, b: Floats, weight: np.float32) -> None:
    for j in range(out.size):
        out[j] += weight * (a[j] + b[j])


@njit(cache=True, fastmath=True)
def _add_two(
    out: Floats, a: Floats, b: Floats, first: np.float32, c: Floats, d: Floats, second: np.float32
) -> None:
    """Add two weighted pairs at once: half as often to memory and back."""
    for j in range(out.size):
        out[j] = out[j] + first * (a[j] + b[j]) + second * (c[j] + d[j])


@njit(cache=True, fastmath=True)
def _reduce(source: Floats, step: int, out: Floats) -> None:
    """Average blocks of step x step pixels (smaller ones at the far edges)."""
    rows, columns, channels = out.shape
    height, width = source.shape[0], source.shape[1]
    for i in range(rows):
        i0, i1 = i * step, min((i + 1) * step, height)
        for j in range(columns):
            j0, j1 = j * step, min((j + 1) * step, width)
            for c in range(channels):
                total = np.float32(0)
                for a in range(i0, i1):
                    for b in range(j0, j1):
                        total += source[a, b, c]
                out[i, j, c] = total / ((i1 - i0) * (j1 - j0))


@njit(cache=True, fastmath=True)
def _enlarge(
    source: Floats, scale_y: float, scale_x: float, top: int, first: int, out: Floats
) -> None:
    """Sample a (rows, columns, channels) array on a finer grid, linear between middles.

    ``top``, ``first`` is the row and column of the finer grid at which ``out`` begins.
    """
    height, width, channels = out.shape
    rows, columns = source.shape[0], source.shape[1]
    line = np.empty((columns, channels), np.float32)
    left = np.empty(width, np.int64)
    part = np.empty(width, np.float32)
    for j in range(width):
        u = min(max((first + j + 0.5) * scale_x - 0.5, 0.0), columns - 1.0)
        left[j] = min(int(u), max(columns - 2, 0))
        part[j] = u - left[j]
    for i in range(height):
        v = min(max((top + i + 0.5) * scale_y - 0.5, 0.0), rows - 1.0)
        k = min(int(v), max(rows - 2, 0))
        f = np.float32(v - k)
        below = min(k + 1, rows - 1)
        for j in range(columns):
            for c in range(channels):
                line[j, c] = source[k, j, c] + f * (source[below, j, c] - source[k, j, c])
        for j in range(width):
            a = left[j]
            b = min(a + 1, columns - 1)
            g = part[j]
            for c in range(channels):
                out[i, j, c] = line[a, c] + g * (line[b, c] - line[a, c])


def block_means(image: Floats, step: int) -> Floats:
    """Return the means of blocks of step x step pixels of a (rows, columns, channels) image."""
    height, width, channels = image.shape
    out = np.empty((-(-height // step), -(-width // step), channels), np.float32)
    _reduce(image, step, out)
    return out


def enlarge(image: Floats, shape: tuple[int, int], extent: tuple[float, float]) -> Floats:
    """Return an image sampled on a finer grid.

    Parameters
    ----------
    image : (rows, columns) or (rows, columns, channels), float32.
    shape : rows and columns wanted.
    extent : rows and columns of ``image`` that the wanted grid spans (may be
        fractional and smaller than its shape when its last block was partial).
    """
    flat = image.ndim == 2
    source = np.ascontiguousarray(image[..., None] if flat else image, np.float32)
    out = np.empty((*shape, source.shape[2]), np.float32)
    _enlarge(source, extent[0] / shape[0], extent[1] / shape[1], 0, 0, out)
    return out[..., 0] if flat else out


def enlarge_part(image: Floats, size_px: int, crop: Crop) -> Floats:
    """Return a crop of a square (rows, columns, channels) image enlarged to ``size_px``."""
    rows, columns, channels = image.shape
    out = np.empty((*crop.shape, channels), np.float32)
    _enlarge(image, rows / size_px, columns / size_px, crop.top, crop.left, out)
    return out


def gaussian(image: Floats, sigma: float, *, in_place: bool = False) -> Floats:
    """Return an image blurred by a Gaussian of ``sigma`` pixels, edges repeated.

    Parameters
    ----------
    image : (rows, columns) or (rows, columns, channels), float32.
    sigma : standard deviation in pixels; below 0.15 the image is returned as it is.
    in_place : write the result over a contiguous image instead of into new memory.

    Notes
    -----
    Above 5 pixels the image is averaged into blocks first, blurred there with
    what the block average and the linear enlargement leave to be done, and
    enlarged again: the cost falls with the width.
    """
    if sigma < 0.15 or image.size == 0:
        return image
    flat = image.ndim == 2
    source = np.ascontiguousarray(image[..., None] if flat else image, np.float32)
    small, step = reduced_gaussian(source, sigma, in_place=in_place)
    if step == 1:
        return small[..., 0] if flat else small
    out = source if in_place else np.empty_like(source)
    _enlarge(small, 1 / step, 1 / step, 0, 0, out)
    return out[..., 0] if flat else out


def reduced_gaussian(source: Floats, sigma: float, *, in_place: bool = False) -> tuple[Floats, int]:
    """Return a blurred image before it is enlarged again, and how much smaller it is.

    Parameters
    ----------
    source : (rows, columns, channels), float32, contiguous.
    sigma : standard deviation in pixels.
    in_place : as for ``gaussian``; counts only where the step is 1.

    Returns
    -------
    The image on blocks of ``step`` x ``step`` pixels, and the step.
    """
    height, width = source.shape[:2]
    step = 1
    while sigma / step > 5.0 and min(height, width) / step > 16:
        step *= 2
    if step == 1:
        return _separable(source, sigma, source if in_place else np.empty_like(source)), 1
    small = block_means(source, step)
    # Variance of a block mean is (step^2 - 1) / 12 pixels, of the linear
    # enlargement step^2 / 6.
    done = (step * step - 1) / 12 + step * step / 6
    left = math.sqrt(max(sigma * sigma - done, 0.01)) / step
    return _separable(small, left, small), step


def _separable(source: Floats, sigma: float, out: Floats) -> Floats:
    height, width, channels = source.shape
    half = max(1, math.ceil(3.0 * sigma))
    at = np.arange(-half, half + 1)
    kernel = np.exp(-0.5 * (at / sigma) ** 2)
    kernel = (kernel / kernel.sum()).astype(np.float32)
    _blur(
        source.reshape(height, width * channels), kernel, channels,
        out.reshape(height, width * channels),
    )  # fmt: skip
    return out
