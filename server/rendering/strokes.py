"""Tapered lines drawn by their distance: streaks, spicules, new vessels, folds.

A stroke is a polyline with a radius at each point. The cover of many strokes
is rasterised in one pass, smooth at its edges and true for lines thinner
than a pixel (they fade instead of breaking up).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import ArrayLike, NDArray

from server.rendering.fibres import fibre_direction
from server.rendering.frame import Crop, Floats, Frame


@dataclass(frozen=True)
class Stroke:
    """One tapered line: points (n, 2) and radii (n,) in canonical degrees, and its cover."""

    points: NDArray[np.float64]
    radii: NDArray[np.float64]
    strength: float = 1.0


@njit(cache=True, fastmath=True)
def _capsules(
    out: Floats,
    left: float,
    top: float,
    step: float,
    ends: NDArray[np.float64],
    soft: float,
    add: bool,
) -> None:
    """Rasterise tapered capsules; ``ends`` rows are x0 y0 r0 x1 y1 r1 strength."""
    height, width = out.shape
    for n in range(ends.shape[0]):
        x0, y0, r0, x1, y1, r1, strength = ends[n]
        if strength <= 0 or max(r0, r1) <= 0:
            continue
        edge = max(soft, 0.6 * step)
        reach = max(r0, r1) + edge + step
        i0 = max(int((min(y0, y1) - reach - top) / step), 0)
        i1 = min(int((max(y0, y1) + reach - top) / step) + 2, height)
        j0 = max(int((min(x0, x1) - reach - left) / step), 0)
        j1 = min(int((max(x0, x1) + reach - left) / step) + 2, width)
        ux, uy = x1 - x0, y1 - y0
        length2 = ux * ux + uy * uy + 1e-12
        for i in range(i0, i1):
            py = top + i * step - y0
            for j in range(j0, j1):
                px = left + j * step - x0
                t = min(max((px * ux + py * uy) / length2, 0.0), 1.0)
                dx, dy = px - t * ux, py - t * uy
                d = math.sqrt(dx * dx + dy * dy)
                r = r0 + t * (r1 - r0)
                # A line thinner than a pixel is drawn a pixel wide and fainter.
                drawn = max(r, 0.5 * step)
                s = (drawn - d) / edge * 0.5 + 0.5
                if s <= 0.0:
                    continue
                s = min(s, 1.0)
                cover = strength * min(1.0, r / drawn) * s * s * (3.0 - 2.0 * s)
                if add:
                    out[i, j] += cover
                elif cover > out[i, j]:
                    out[i, j] = cover


def draw(
    frame: Frame,
    strokes: Sequence[Stroke],
    *,
    soft: float = 0.03,
    crop: Crop | None = None,
    add: bool = False,
) -> Floats:
    """Return the cover of strokes over a frame or a crop of it, float32.

    Parameters
    ----------
    soft : half-width of the soft edge, degrees (never below 0.6 pixel).
    add : add overlapping strokes up instead of taking the greatest. Segments
        of one stroke overlap at their joints, so use it for soft fills only.
    """
    if not strokes:
        crop = crop or Crop(0, frame.size_px, 0, frame.size_px)
        return np.zeros(crop.shape, np.float32)
    rows = []
    for stroke in strokes:
        p, r = np.asarray(stroke.points, float), np.asarray(stroke.radii, float)
        rows.append(
            np.column_stack(
                [p[:-1], r[:-1], p[1:], r[1:], np.full(len(p) - 1, float(stroke.strength))]
            )
        )
    return draw_pieces(frame, np.concatenate(rows), soft=soft, crop=crop, add=add)


def draw_pieces(
    frame: Frame,
    pieces: NDArray[np.float64],
    *,
    soft: float = 0.03,
    crop: Crop | None = None,
    add: bool = False,
) -> Floats:
    """Return the cover of many straight tapered pieces, for nets of thousands of lines.

    Parameters
    ----------
    pieces : shape (n, 7): x, y and radius of one end, of the other, and the strength.
    soft, crop, add : as for ``draw``.
    """
    crop = crop or Crop(0, frame.size_px, 0, frame.size_px)
    out = np.zeros(crop.shape, np.float32)
    if crop.empty or len(pieces) == 0:
        return out
    _capsules(
        out, float(frame.columns[crop.left]), float(frame.rows[crop.top]), frame.degrees_per_px,
        np.ascontiguousarray(pieces, float), soft, add,
    )  # fmt: skip
    return out


def along_fibres(
    x: float,
    y: float,
    length: float,
    disc_x: float,
    disc_y: float,
    *,
    step: float = 0.12,
    wobble: ArrayLike = 0.0,
) -> NDArray[np.float64]:
    """Return a path of the given length (degrees) that follows the nerve fibres.

    The path starts at (x, y) and runs away from the disc; a negative length
    runs towards it. ``wobble`` (radians, one value or one per step) turns it.
    """
    count = max(int(abs(length) / step), 2)
    turn = np.broadcast_to(np.asarray(wobble, float), (count,))
    way = math.copysign(abs(length) / count, length)
    path = np.empty((count + 1, 2))
    path[0] = x, y
    for n in range(count):
        u, v = fibre_direction(path[n, 0], path[n, 1], disc_x, disc_y)
        cos, sin = math.cos(turn[n]), math.sin(turn[n])
        path[n + 1, 0] = path[n, 0] + way * (float(u) * cos - float(v) * sin)
        path[n + 1, 1] = path[n, 1] + way * (float(u) * sin + float(v) * cos)
    return path


def streak_bundle(
    rng: np.random.Generator,
    x: float,
    y: float,
    disc_x: float,
    disc_y: float,
    *,
    count: int = 10,
    length: float = 1.6,
    width: float = 0.8,
    radius: float = 0.05,
) -> list[Stroke]:
    """Return a bundle of tapered streaks along the fibres (a flame haemorrhage, frayed edges).

    Parameters
    ----------
    x, y : middle of the bundle, canonical degrees.
    count : number of streaks.
    length, width : of the whole bundle, degrees.
    radius : half-thickness of a streak in its middle, degrees.

    Notes
    -----
    The numbers drawn from ``rng`` depend only on ``count``, so the bundle may
    be scaled by severity without shifting anything else.
    """
    u, v = (float(t) for t in fibre_direction(x, y, disc_x, disc_y))
    strokes = []
    for across, shift, share, bend, thick in rng.uniform(-1, 1, (count, 5)):
        # Streaks in the middle of the bundle are longer, and none start in line.
        own = length * (0.45 + 0.35 * (1 - across * across) + 0.2 * share)
        back = 0.5 * own - 0.28 * length * shift
        side = 0.5 * width * across
        start_x, start_y = x - back * u - side * v, y - back * v + side * u
        path = along_fibres(start_x, start_y, own, disc_x, disc_y, wobble=0.10 * bend)
        t = np.linspace(-1, 1, len(path))
        radii = radius * (0.75 + 0.4 * thick) * np.clip(1 - t * t, 0, None) ** 0.6
        strokes.append(Stroke(path, radii))
    return strokes
