"""Where the choroid's large vessels run: lines that keep their distance and join.

Lines are laid along a direction field at an even spacing, each started beside
the last (after Jobard and Lefer 1997, evenly spaced streamlines of arbitrary
density). Two things differ, because vessels are no hatching: every line sways
about the field in its own way, and one that comes too near another runs into
it at a slant and ends there. So lines fork and join all along their course
and leave long islands, pointed at both ends, between them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from server.rendering.frame import Floats, Frame
from server.rendering.noise import key, scramble

Whole = NDArray[np.int32]

STEP_DEG = 0.3
REACH_DEG = 66.0
"""Lines cover the retina up to so far from the fovea: all that a camera can reach."""

_CELL_DEG = 0.3
_FIELD_PX_PER_DEGREE = 1.5
_MOST_NODES = 400_000

FIELD_FRAME = Frame(2 * REACH_DEG, (0.0, 0.0), round(2 * REACH_DEG * _FIELD_PX_PER_DEGREE))
"""The grid on which directions and spacings are given."""


@dataclass(frozen=True)
class Lines:
    """Lines of one layer of vessels.

    Attributes
    ----------
    x, y : the nodes, degrees, STEP_DEG apart, line after line.
    line : number of the line that each node belongs to.
    """

    x: Floats
    y: Floats
    line: Whole

    @property
    def count(self) -> int:
        """How many lines there are."""
        return int(self.line[-1]) + 1 if self.line.size else 0


@njit(cache=True)
def _chance(seed: int, number: int) -> float:
    """Return a number in 0..1 that depends on nothing but its arguments."""
    return float(scramble(seed + 0x9E3779B9 * (number & 0xFFFFFF)) / 4294967296.0)


@njit(cache=True)
def _field(grid: Floats, x: float, y: float) -> float:
    """Return a smooth quantity between the points of its grid."""
    last = grid.shape[0] - 1.001
    u = min(max((x + REACH_DEG) * _FIELD_PX_PER_DEGREE - 0.5, 0.0), last)
    v = min(max((y + REACH_DEG) * _FIELD_PX_PER_DEGREE - 0.5, 0.0), last)
    i, j = int(v), int(u)
    f, g = v - i, u - j
    upper = (1 - g) * grid[i, j] + g * grid[i, j + 1]
    return float((1 - f) * upper + f * ((1 - g) * grid[i + 1, j] + g * grid[i + 1, j + 1]))


@njit(cache=True)
def _nearest(x: float, y: float, radius: float, cells: Whole, xs: Floats, ys: Floats) -> int:
    """Return the node nearest to a point within a radius, -1 where there is none."""
    size = cells.shape[0]
    reach = int(radius / _CELL_DEG) + 1
    row, column = int((y + REACH_DEG) / _CELL_DEG), int((x + REACH_DEG) / _CELL_DEG)
    best, nearest = -1, radius * radius
    for i in range(max(row - reach, 0), min(row + reach + 1, size)):
        for j in range(max(column - reach, 0), min(column + reach + 1, size)):
            n = cells[i, j]
            if n >= 0:
                away = (xs[n] - x) ** 2 + (ys[n] - y) ** 2
                if away < nearest:
                    best, nearest = n, away
    return best


@njit(cache=True)
def _crowded(x: float, y: float, radius: float, cells: Whole, xs: Floats, ys: Floats) -> bool:
    """Whether any node lies within a radius of a point."""
    size = cells.shape[0]
    reach = int(radius / _CELL_DEG) + 1
    row, column = int((y + REACH_DEG) / _CELL_DEG), int((x + REACH_DEG) / _CELL_DEG)
    for i in range(max(row - reach, 0), min(row + reach + 1, size)):
        for j in range(max(column - reach, 0), min(column + reach + 1, size)):
            n = cells[i, j]
            if n >= 0 and (xs[n] - x) ** 2 + (ys[n] - y) ** 2 < radius * radius:
                return True
    return False


@njit(cache=True)
def _walk(
    x: float, y: float, way: float, sway: Floats, cos2: Floats, sin2: Floats, spacing: Floats,
    join: float, cells: Whole, xs: Floats, ys: Floats, line: Whole, count: int,
    px: Floats, py: Floats,
) -> int:  # fmt: skip
    """Follow the field from a point one way; return how many nodes lie in (px, py)."""
    n = 0
    angle = 0.5 * math.atan2(_field(sin2, x, y), _field(cos2, x, y))
    dx, dy = way * math.cos(angle), way * math.sin(angle)
    while n < px.size - 8:
        angle = 0.5 * math.atan2(_field(sin2, x, y), _field(cos2, x, y))
        along = way * n * STEP_DEG
        angle += sway[0] * math.sin(along * sway[1] + sway[2])
        angle += sway[3] * math.sin(along * sway[4] + sway[5])
        ux, uy = math.cos(angle), math.sin(angle)
        if ux * dx + uy * dy < 0:
            ux, uy = -ux, -uy
        # A vessel has no corners: the course turns by degrees.
        dx, dy = 0.6 * dx + 0.4 * ux, 0.6 * dy + 0.4 * uy
        length = math.hypot(dx, dy) + 1e-9
        dx, dy = dx / length, dy / length
        x, y = x + dx * STEP_DEG, y + dy * STEP_DEG
        if x * x + y * y > REACH_DEG * REACH_DEG:
            return n
        near = join * _field(spacing, x, y)
        hit = _nearest(x, y, near, cells, xs, ys)
        if hit >= 0:
            return n + _join(x, y, dx, dy, hit, near, xs, ys, line, count, px[n:], py[n:])
        px[n], py[n] = x, y
        n += 1
    return n


@njit(cache=True)
def _join(
    x: float, y: float, dx: float, dy: float, hit: int, gap: float,
    xs: Floats, ys: Floats, line: Whole, count: int, px: Floats, py: Floats,
) -> int:  # fmt: skip
    """Run into another line at a slant, a little further on; return the nodes added."""
    step = 1
    ahead = min(hit + 1, count - 1)
    if line[ahead] != line[hit]:
        ahead, step = max(hit - 1, 0), -1
    if (xs[ahead] - xs[hit]) * step * dx + (ys[ahead] - ys[hit]) * step * dy < 0:
        step = -step
    target = hit
    for _ in range(int(1.6 * gap / STEP_DEG) + 1):
        further = target + step
        if further < 0 or further >= count or line[further] != line[hit]:
            break
        target = further
    tx, ty = xs[target], ys[target]
    # A quadratic curve that leaves along the way we came.
    run = math.hypot(tx - x, ty - y)
    mx, my = x + dx * 0.5 * run, y + dy * 0.5 * run
    nodes = min(max(int(run / STEP_DEG) + 1, 2), 7)
    for k in range(nodes):
        t = k / (nodes - 1.0)
        px[k] = (1 - t) * (1 - t) * x + 2 * t * (1 - t) * mx + t * t * tx
        py[k] = (1 - t) * (1 - t) * y + 2 * t * (1 - t) * my + t * t * ty
    return nodes


@njit(cache=True)
def _lay(
    seed: int, cos2: Floats, sin2: Floats, spacing: Floats, join: float, wander: float,
    least: float,
) -> tuple[Floats, Floats, Whole]:  # fmt: skip
    """Lay lines over the whole retina, each begun beside one laid before."""
    size = int(2 * REACH_DEG / _CELL_DEG) + 1
    cells = np.full((size, size), -1, np.int32)
    xs = np.empty(_MOST_NODES, np.float32)
    ys = np.empty(_MOST_NODES, np.float32)
    line = np.empty(_MOST_NODES, np.int32)
    back_x, back_y = np.empty(400, np.float32), np.empty(400, np.float32)
    fore_x, fore_y = np.empty(400, np.float32), np.empty(400, np.float32)
    sway = np.empty(6, np.float32)
    count, lines, asked, at = 0, 0, 0, -1
    while at < count and count < _MOST_NODES - 1000:
        # A node offers a start on either side; the first start is the middle.
        for side in (-1.0, 1.0):
            asked += 1
            if at < 0:
                x, y = 0.3, 0.2
            else:
                b = at + 1 if at + 1 < count and line[at + 1] == line[at] else at - 1
                if b < 0 or line[b] != line[at]:
                    continue
                tx, ty = xs[b] - xs[at], ys[b] - ys[at]
                length = math.hypot(tx, ty) + 1e-9
                gap = _field(spacing, xs[at], ys[at]) * (0.85 + 0.5 * _chance(seed, asked))
                x = xs[at] - side * ty / length * gap
                y = ys[at] + side * tx / length * gap
            if x * x + y * y > REACH_DEG * REACH_DEG:
                continue
            if _crowded(x, y, 0.80 * _field(spacing, x, y), cells, xs, ys):
                continue
            for k in range(2):
                # Slow swings and quick ones, of this line alone.
                far = (9.0, 4.2)[k] * (0.7 + 0.8 * _chance(seed + 1, asked * 8 + k))
                sway[3 * k] = wander * (1.0, 0.5)[k] * (0.4 + _chance(seed + 2, asked * 8 + k))
                sway[3 * k + 1] = 6.2831853 / far
                sway[3 * k + 2] = 6.2831853 * _chance(seed + 3, asked * 8 + k)
            b = _walk(x, y, -1.0, sway, cos2, sin2, spacing, join, cells, xs, ys, line, count,
                      back_x, back_y)  # fmt: skip
            f = _walk(x, y, 1.0, sway, cos2, sin2, spacing, join, cells, xs, ys, line, count,
                      fore_x, fore_y)  # fmt: skip
            if (b + f) * STEP_DEG < least:
                continue
            for k in range(b + 1 + f):
                if k < b:
                    xs[count], ys[count] = back_x[b - 1 - k], back_y[b - 1 - k]
                elif k == b:
                    xs[count], ys[count] = x, y
                else:
                    xs[count], ys[count] = fore_x[k - b - 1], fore_y[k - b - 1]
                line[count] = lines
                i = min(max(int((ys[count] + REACH_DEG) / _CELL_DEG), 0), size - 1)
                j = min(max(int((xs[count] + REACH_DEG) / _CELL_DEG), 0), size - 1)
                cells[i, j] = count
                count += 1
            lines += 1
            if at < 0:
                break
        # Every other node will do: they lie closer than lines do.
        at += 1 if at < 0 else 2
    return xs[:count].copy(), ys[:count].copy(), line[:count].copy()


def lay(
    seed: int,
    layer: str,
    angle: Floats,
    spacing: Floats,
    *,
    join: float = 0.55,
    wander: float = 0.35,
    least_deg: float = 1.5,
) -> Lines:
    """Lay one layer of joining lines over the retina.

    Parameters
    ----------
    seed, layer : the eye and the name of the layer, which fix the lines' chances.
    angle : direction without a sign, radians, on the grid of ``FIELD_FRAME``.
    spacing : distance between neighbours, degrees, on the same grid.
    join : share of the spacing nearer than which a line runs into its neighbour.
    wander : how far a line sways about the field, radians.
    least_deg : shorter lines are left out.
    """
    x, y, line = _lay(
        key(seed, f"choroid lines {layer}"),
        np.cos(2 * angle).astype(np.float32), np.sin(2 * angle).astype(np.float32),
        spacing.astype(np.float32), join, wander, least_deg,
    )  # fmt: skip
    return Lines(x, y, line)
