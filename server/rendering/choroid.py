"""The choroid's large vessels, seen through a thin pigment layer (tessellation).

Ribbons of 100 to 300 micrometres run in a branching, anastomosing net from
the posterior pole towards the four vortex veins, in two layers: the plain
upper ones, and others behind them that cross their gaps at an angle. Where
the lines run is laid down once for an eye (``choroid_lines``); a picture
draws those that it sees.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numba import njit

from server.rendering.anatomy import Anatomy
from server.rendering.choroid_lines import FIELD_FRAME, REACH_DEG, Lines, Whole, lay
from server.rendering.eye import Eye
from server.rendering.frame import Floats, Frame
from server.rendering.noise import Noise
from server.rendering.streams import stream

# Ampullae of the vortex veins, in the canonical frame: behind the equator,
# two on each side, above and below (their distance is shortened, as the
# picture's flat degrees are).
_VORTICES = ((-44.0, -40.0), (36.0, -42.0), (-44.0, 40.0), (36.0, 42.0))
# Half the width over which a ribbon's wall fades: it lies behind a scattering epithelium.
_WALL_DEG = 0.15


def ribbons(eye: Eye, anatomy: Anatomy, frame: Frame) -> Floats:
    """Return how much of a choroidal vessel lies at each point, 0 (island) to 1 (vessel).

    Parameters
    ----------
    frame : the grid wanted; the net is the eye's own, the same in every frame.
    """
    upper, lower = _net(eye.seed)
    out = np.zeros((frame.size_px, frame.size_px), np.float32)
    _draw(upper, frame, 1.0, 1.0, out)
    behind = np.zeros_like(out)
    _draw(lower, frame, 0.55, 1.6, behind)
    np.maximum(out, behind, out=out)
    corner = math.hypot(*(abs(middle) + frame.field_deg / 2 for middle in frame.centre_deg))
    if corner > REACH_DEG - 3.0:
        # Past the lines neither vessel nor island is known: half and half.
        far = np.hypot(frame.x, frame.y)
        out += np.clip((far - REACH_DEG) / 3.0 + 1.0, 0.0, 1.0) * (0.5 - out)
    return out


@lru_cache(maxsize=2)
def _net(seed: int) -> tuple[tuple[Lines, Floats, Floats], tuple[Lines, Floats, Floats]]:
    """Return the upper and the lower layer of an eye's choroid: lines, widths, depths."""
    rng = stream(seed, "choroid")
    spacing_deg = rng.uniform(1.0, 1.35)
    bend = rng.uniform(0.25, 0.45)
    turn = rng.choice((-1.0, 1.0)) * rng.uniform(0.5, 0.9)
    angle = _course(seed)
    angle += np.float32(bend) * (
        0.75 * Noise(seed, "choroid course", 9.0).over(FIELD_FRAME)
        + 0.45 * Noise(seed, "choroid bends", 4.0).over(FIELD_FRAME)
    )
    uneven = np.exp(0.13 * Noise(seed, "choroid spacing", 4.0).over(FIELD_FRAME))
    upper = lay(seed, "upper", angle, spacing_deg * uneven, join=0.62, wander=0.55)
    lower = lay(seed, "lower", angle + np.float32(turn), 1.5 * spacing_deg * uneven, wander=0.5)
    return (
        (upper, *_dress(seed, "upper", upper, 0.46 * spacing_deg)),
        (lower, *_dress(seed, "lower", lower, 0.52 * spacing_deg)),
    )


def _course(seed: int) -> Floats:
    """Return the direction towards the vortex veins, radians without a sign."""
    xs, ys = FIELD_FRAME.x, FIELD_FRAME.y
    u, v = np.zeros_like(xs), np.zeros_like(ys)
    for n, (x, y) in enumerate(_VORTICES):
        jitter = stream(seed, f"vortex {n}").normal(0, 4.0, 2)
        dx, dy = np.float32(x + jitter[0]) - xs, np.float32(y + jitter[1]) - ys
        near = 1.0 / (dx * dx + dy * dy + 30.0)
        # Doubled angles: directions without a sign can be added and averaged.
        u += (dx * dx - dy * dy) * near * near
        v += 2 * dx * dy * near * near
    return np.asarray(np.float32(0.5) * np.arctan2(v, u), np.float32)


def _dress(seed: int, layer: str, lines: Lines, width_deg: float) -> tuple[Floats, Floats]:
    """Return the width (degrees) of the vessel at each node and how plainly it shows, 0 to 1."""
    rng = stream(seed, f"choroid {layer} vessels")
    own = np.exp(rng.normal(0.0, 0.33, lines.count))[lines.line]
    along = Noise(seed, f"choroid {layer} width", 1.8).at(lines.x, lines.y)
    width = np.clip(width_deg * own * np.exp(0.12 * along), 0.33, 1.0)
    # Here a vessel lies plainly behind the pigment, there it is hardly seen: even
    # stripes would look like sand under water.
    depth = np.clip(rng.normal(0.92, 0.07, lines.count), 0.6, 1.0)[lines.line]
    depth *= np.clip(
        0.95 + 0.22 * Noise(seed, f"choroid {layer} depth", 3.5).at(lines.x, lines.y), 0.35, 1.0
    )
    return width.astype(np.float32), depth.astype(np.float32)


def _draw(
    layer: tuple[Lines, Floats, Floats], frame: Frame, strength: float, softer: float, out: Floats
) -> None:
    lines, width, depth = layer
    ppd = frame.px_per_degree
    # A wall is never sharper than the pixels can show.
    wall = max(_WALL_DEG * softer, 0.6 / ppd)
    _stroke(
        lines.x, lines.y, lines.line, width, depth,
        frame.left_deg, frame.top_deg, ppd, wall, strength, out,
    )  # fmt: skip


@njit(cache=True, fastmath=True)
def _stroke(
    xs: Floats, ys: Floats, line: Whole, width: Floats, depth: Floats,
    left: float, top: float, ppd: float, wall: float, strength: float, out: Floats,
) -> None:  # fmt: skip
    """Draw the lines as ribbons with soft walls, the plainer one where two meet."""
    size = out.shape[0]
    fade = 0.5 / wall
    for n in range(xs.size - 1):
        if line[n] != line[n + 1]:
            continue
        half = 0.5 * width[n] + wall
        x0, y0 = xs[n] - left, ys[n] - top
        x1, y1 = xs[n + 1] - left, ys[n + 1] - top
        first = max(int((min(x0, x1) - half) * ppd), 0)
        last = min(int((max(x0, x1) + half) * ppd) + 1, size)
        upper = max(int((min(y0, y1) - half) * ppd), 0)
        lower = min(int((max(y0, y1) + half) * ppd) + 1, size)
        if first >= last or upper >= lower:
            continue
        dx, dy = x1 - x0, y1 - y0
        along = 1.0 / (dx * dx + dy * dy + 1e-12)
        wider, plainer = 0.5 * (width[n + 1] - width[n]), depth[n + 1] - depth[n]
        outer = 0.5 * max(width[n], width[n + 1]) + wall
        for i in range(upper, lower):
            py = (i + 0.5) / ppd - y0
            for j in range(first, last):
                px = (j + 0.5) / ppd - x0
                t = min(max((px * dx + py * dy) * along, 0.0), 1.0)
                ax, ay = px - t * dx, py - t * dy
                away2 = ax * ax + ay * ay
                if away2 >= outer * outer:
                    continue
                s = (0.5 * width[n] + t * wider + wall - math.sqrt(away2)) * fade
                if s <= 0:
                    continue
                s = min(s, 1.0)
                value = strength * (depth[n] + t * plainer) * s * s * (3 - 2 * s)
                if value > out[i, j]:
                    out[i, j] = value
