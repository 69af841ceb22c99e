"""Smooth curves through a few points (natural cubic splines over the length of the chords)."""

from __future__ import annotations

import numpy as np
from numba import njit

from server.rendering.vessels.model import Floats


def sampled(points: Floats, step: float, leaving: Floats | None = None) -> Floats:
    """Return points at even steps on a natural cubic spline through the given ones.

    Parameters
    ----------
    points : (n, 2), in any unit; at least two, no two the same.
    step : distance wanted between the points returned, in that unit.
    leaving : unit vector in which the spline starts; left out, that end is natural too.
    """
    chord = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    count = max(int(chord[-1] / step), 3) + 1
    if leaving is None:
        return _spline(chord, points, np.zeros(2), False, count)
    return _spline(chord, points, leaving, True, count)


@njit(cache=True)
def _spline(t: Floats, points: Floats, slope: Floats, clamped: bool, count: int) -> Floats:
    """Evaluate a cubic spline at even steps of its parameter; natural ends but for the slope."""
    n = len(t)
    out = np.empty((count, 2))
    second = np.zeros(n)
    c = np.zeros(n)
    for axis in range(2):
        v = points[:, axis]
        # Tridiagonal system for the second derivatives, solved by elimination.
        if clamped:
            h = t[1] - t[0]
            c[0] = 0.5
            second[0] = 3.0 / h * ((v[1] - v[0]) / h - slope[axis])
        else:
            c[0] = 0.0
            second[0] = 0.0
        for i in range(1, n - 1):
            h0, h1 = t[i] - t[i - 1], t[i + 1] - t[i]
            right = 6.0 * ((v[i + 1] - v[i]) / h1 - (v[i] - v[i - 1]) / h0)
            pivot = 2.0 * (h0 + h1) - h0 * c[i - 1]
            c[i] = h1 / pivot
            second[i] = (right - h0 * second[i - 1]) / pivot
        second[n - 1] = 0.0
        for i in range(n - 2, -1, -1):
            second[i] -= c[i] * second[i + 1]
        i = 0
        for k in range(count):
            at = t[n - 1] * k / (count - 1)
            while i < n - 2 and at > t[i + 1]:
                i += 1
            h = t[i + 1] - t[i]
            a, b = (t[i + 1] - at) / h, (at - t[i]) / h
            out[k, axis] = (
                a * v[i]
                + b * v[i + 1]
                + ((a**3 - a) * second[i] + (b**3 - b) * second[i + 1]) * h * h / 6.0
            )
    return out
