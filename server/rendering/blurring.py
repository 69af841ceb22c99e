"""Gaussian blur of float32 pictures; wide blurs work on a reduced picture."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from server.rendering.frame import Floats


@njit(cache=True, fastmath=True)
def _blur_columns(source: Floats, kernel: Floats, out: Floats) -> None:
    """Blur along the first axis of a (rows, values) array, repeating the edge rows."""
    rows, width = source.shape
    half = kernel.size // 2
    for i in range(rows):
        k0 = kernel[half]
        for j in range(width):
            out[i, j] = k0 * source[i, j]
        # Symmetric kernel: rows above and below share a weight, one multiply for two.
        for n in range(1, half + 1):
            weight = kernel[half + n]
            up, down = max(i - n, 0), min(i + n, rows - 1)
            for j in range(width):
                out[i, j] += weight * (source[up, j] + source[down, j])


@njit(cache=True, fastmath=True)
def _blur_rows(source: Floats, kernel: Floats, channels: int, out: Floats) -> None:
    """Blur along the second axis of (rows, columns * channels), repeating the edges."""
    rows, width = source.shape
    half = kernel.size // 2
    pad = half * channels
    line = np.empty(width + 2 * pad, np.float32)
    for i in range(rows):
        for j in range(width):
            line[pad + j] = source[i, j]
        for j in range(pad):
            line[j] = source[i, j % channels]
            line[pad + width + j] = source[i, width - channels + j % channels]
        for j in range(width):
            out[i, j] = kernel[half] * line[pad + j]
        for n in range(1, half + 1):
            weight = kernel[half + n]
            shift = n * channels
            for j in range(width):
                out[i, j] += weight * (line[pad + j - shift] + line[pad + j + shift])


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
def _enlarge(source: Floats, scale_y: float, scale_x: float, out: Floats) -> None:
    """Sample a (rows, columns, channels) array on a finer grid, linear between middles."""
    height, width, channels = out.shape
    rows, columns = source.shape[0], source.shape[1]
    line = np.empty((columns, channels), np.float32)
    left = np.empty(width, np.int64)
    part = np.empty(width, np.float32)
    for j in range(width):
        u = min(max((j + 0.5) * scale_x - 0.5, 0.0), columns - 1.0)
        left[j] = min(int(u), max(columns - 2, 0))
        part[j] = u - left[j]
    for i in range(height):
        v = min(max((i + 0.5) * scale_y - 0.5, 0.0), rows - 1.0)
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
    _enlarge(source, extent[0] / shape[0], extent[1] / shape[1], out)
    return out[..., 0] if flat else out


def gaussian(image: Floats, sigma: float) -> Floats:
    """Return an image blurred by a Gaussian of ``sigma`` pixels, edges repeated.

    Parameters
    ----------
    image : (rows, columns) or (rows, columns, channels), float32.
    sigma : standard deviation in pixels; below 0.15 the image is returned as it is.

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
    height, width, channels = source.shape
    step = 1
    while sigma / step > 5.0 and min(height, width) / step > 16:
        step *= 2
    if step > 1:
        small = np.empty((-(-height // step), -(-width // step), channels), np.float32)
        _reduce(source, step, small)
        # Variance of a block mean is (step^2 - 1) / 12 pixels, of the linear
        # enlargement step^2 / 6.
        done = (step * step - 1) / 12 + step * step / 6
        left = math.sqrt(max(sigma * sigma - done, 0.01)) / step
        out = enlarge(_separable(small, left), (height, width), (height / step, width / step))
    else:
        out = _separable(source, sigma)
    return out[..., 0] if flat else out


def _separable(source: Floats, sigma: float) -> Floats:
    height, width, channels = source.shape
    half = max(1, math.ceil(3.0 * sigma))
    at = np.arange(-half, half + 1)
    kernel = np.exp(-0.5 * (at / sigma) ** 2)
    kernel = (kernel / kernel.sum()).astype(np.float32)
    flat = source.reshape(height, width * channels)
    middle = np.empty_like(flat)
    _blur_columns(flat, kernel, middle)
    out = np.empty_like(flat)
    _blur_rows(middle, kernel, channels, out)
    return out.reshape(height, width, channels)
