"""Side branches grown onto the trunks, coarse ones first, until no retina is left unserved.

Targets are thrown at the retina; one that lies far enough from every vessel of
its own kind, and not on top of the other kind, is joined to the host that can
reach it with the most vessel-like bend. Arteries and veins take turns, so
that they end up interlaced.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from server.rendering.anatomy import Anatomy
from server.rendering.vessels.model import TRUNKS, Floats
from server.rendering.vessels.trunks import Trunk

REACH = 57.0
"""Radius of the retina that is given vessels, degrees from the fovea."""

_CELL = 1.0
_SIDE = int(2 * REACH / _CELL) + 4
_ROOM = 14000


@dataclass(eq=False)
class Growing:
    """A tree while it grows: arrays with room to spare, and a grid of chains to search it."""

    x: Floats
    y: Floats
    parent: NDArray[np.int32]
    tangent: Floats
    trunk: NDArray[np.int8]
    lower: NDArray[np.bool_]
    children: NDArray[np.int32]
    blocked: NDArray[np.bool_]
    head: NDArray[np.int32]
    chain: NDArray[np.int32]
    count: NDArray[np.int64]


def plant(trunks: list[Trunk]) -> Growing:
    """Turn trunks into a growing tree."""
    g = Growing(
        x=np.zeros(_ROOM),
        y=np.zeros(_ROOM),
        parent=np.full(_ROOM, -1, np.int32),
        tangent=np.zeros((_ROOM, 2)),
        trunk=np.full(_ROOM, -1, np.int8),
        lower=np.zeros(_ROOM, np.bool_),
        children=np.zeros(_ROOM, np.int32),
        blocked=np.zeros(_ROOM, np.bool_),
        head=np.full(_SIDE * _SIDE, -1, np.int32),
        chain=np.full(_ROOM, -1, np.int32),
        count=np.zeros(1, np.int64),
    )
    first: list[int] = []
    for trunk in trunks:
        points = trunk.points
        outside = np.hypot(points[:, 0], points[:, 1]) > REACH
        if outside.any():
            points = points[: max(int(np.argmax(outside)), 2)]
        n = int(g.count[0])
        if trunk.host >= 0:
            parent = first[trunk.host] + trunk.host_point
            points = points[1:]
        else:
            parent = -1
        m = len(points)
        first.append(n)
        g.x[n : n + m], g.y[n : n + m] = points[:, 0], points[:, 1]
        g.parent[n : n + m] = np.arange(n - 1, n + m - 1)
        g.parent[n] = parent
        g.children[g.parent[n : n + m][g.parent[n : n + m] >= 0]] += 1
        tangent = np.gradient(points, axis=0)
        g.tangent[n : n + m] = tangent / np.maximum(np.hypot(*tangent.T), 1e-9)[:, None]
        g.trunk[n : n + m] = TRUNKS.index(trunk.name)
        g.lower[n : n + m] = trunk.lower
        if parent >= 0:
            _block_round(g.x, g.y, g.blocked, g.head, g.chain, g.x[parent], g.y[parent], 0.6)
        g.count[0] = n + m
        _enter_all(g.x, g.y, g.head, g.chain, n, n + m)
    return g


@njit(cache=True, inline="always")
def _cell_of(v: float) -> int:
    k = int((v + REACH) / _CELL) + 1
    return min(max(k, 0), _SIDE - 1)


@njit(cache=True)
def _enter(x: Floats, y: Floats, head: NDArray[np.int32], chain: NDArray[np.int32], k: int) -> None:
    cell = _cell_of(y[k]) * _SIDE + _cell_of(x[k])
    chain[k] = head[cell]
    head[cell] = k


@njit(cache=True)
def _enter_all(
    x: Floats, y: Floats, head: NDArray[np.int32], chain: NDArray[np.int32], low: int, high: int
) -> None:
    for k in range(low, high):
        _enter(x, y, head, chain, k)


@njit(cache=True)
def _block_round(
    x: Floats,
    y: Floats,
    blocked: NDArray[np.bool_],
    head: NDArray[np.int32],
    chain: NDArray[np.int32],
    px: float,
    py: float,
    radius: float,
) -> None:
    """Keep new branches away from a fork."""
    for row in range(_cell_of(py - radius), _cell_of(py + radius) + 1):
        for column in range(_cell_of(px - radius), _cell_of(px + radius) + 1):
            k = head[row * _SIDE + column]
            while k >= 0:
                if (x[k] - px) ** 2 + (y[k] - py) ** 2 < radius * radius:
                    blocked[k] = True
                k = chain[k]


@njit(cache=True)
def _nearest2(
    x: Floats,
    y: Floats,
    head: NDArray[np.int32],
    chain: NDArray[np.int32],
    px: float,
    py: float,
    radius: float,
) -> float:
    """Squared distance to the nearest node within a radius, or the radius squared."""
    best = radius * radius
    for row in range(_cell_of(py - radius), _cell_of(py + radius) + 1):
        for column in range(_cell_of(px - radius), _cell_of(px + radius) + 1):
            k = head[row * _SIDE + column]
            while k >= 0:
                d = (x[k] - px) ** 2 + (y[k] - py) ** 2
                if d < best:
                    best = d
                k = chain[k]
    return best


@njit(cache=True)
def wanted_flow(px: float, py: float, disc_x: float, disc_y: float) -> tuple[float, float]:
    """Direction in which blood should flow at a place: out of the disc, round into the macula."""
    dx, dy = px - disc_x, py - disc_y
    d2 = dx * dx + dy * dy + 0.05
    ecc2 = px * px + py * py
    fx = dx / d2 + 0.30 * px / (ecc2 + 6.0)
    fy = dy / d2 + 0.30 * py / (ecc2 + 6.0)
    n = math.sqrt(fx * fx + fy * fy) + 1e-9
    fx, fy = fx / n, fy / n
    w = math.exp(-ecc2 / 56.0)
    ecc = math.sqrt(ecc2) + 1e-9
    fx, fy = (1 - w) * fx - w * px / ecc, (1 - w) * fy - w * py / ecc
    # Temporal to the fovea vessels of both halves end at the horizontal raphe.
    if px > 0:
        r = 0.55 * math.exp(-((py / 5.0) ** 2)) * min(px / 3.0, 1.0) * math.exp(-px / 25.0)
        fy -= r * (1.0 if py > 0 else -1.0)
    n = math.sqrt(fx * fx + fy * fy) + 1e-9
    return fx / n, fy / n


@njit(cache=True)
def local_spacing(ecc: float, spacing: float) -> float:
    """Spacing of branches at an eccentricity: fine ones thin out away from the macula."""
    s = spacing
    if spacing < 2.7:
        s *= 1.0 + 0.42 * (1.0 - math.exp(-((ecc / 9.0) ** 2)))
    # The periphery, seen only in views aimed at it, has fewer and longer branches.
    s *= 1.0 + 1.15 * (1.0 / (1.0 + math.exp(-(ecc - 33.0) / 4.5)))
    return s


@njit(cache=True)
def _spacings(ecc: Floats, spacing: float) -> Floats:
    out = np.empty(len(ecc))
    for k in range(len(ecc)):
        out[k] = local_spacing(ecc[k], spacing)
    return out


@njit(cache=True)
def _graft(
    targets: Floats,
    rolls: Floats,
    spacing: float,
    disc: Floats,
    faz: float,
    step: float,
    x: Floats,
    y: Floats,
    parent: NDArray[np.int32],
    tangent: Floats,
    lower: NDArray[np.bool_],
    children: NDArray[np.int32],
    blocked: NDArray[np.bool_],
    head: NDArray[np.int32],
    chain: NDArray[np.int32],
    count: NDArray[np.int64],
    other_x: Floats,
    other_y: Floats,
    other_head: NDArray[np.int32],
    other_chain: NDArray[np.int32],
) -> None:
    """Join as many targets to the tree as can be joined; see the module's text."""
    disc_x, disc_y, disc_r = disc
    path_x = np.empty(96)
    path_y = np.empty(96)
    for t in range(len(targets)):
        qx, qy = targets[t]
        ecc = math.sqrt(qx * qx + qy * qy)
        if ecc < faz or ecc > REACH - 1.0:
            continue
        off = math.sqrt((qx - disc_x) ** 2 + (qy - disc_y) ** 2)
        if off < 1.30 * disc_r:
            continue
        s = local_spacing(ecc, spacing) * rolls[t, 3]
        clear = 0.72 * s
        if _nearest2(x, y, head, chain, qx, qy, clear) < clear * clear:
            continue
        apart = 0.28 * s
        if _nearest2(other_x, other_y, other_head, other_chain, qx, qy, apart) < apart * apart:
            continue
        flow_x, flow_y = wanted_flow(qx, qy, disc_x, disc_y)
        far = 2.6 * s + 1.2
        best = second = -1
        best_cost = second_cost = 1e18
        for row in range(_cell_of(qy - far), _cell_of(qy + far) + 1):
            for column in range(_cell_of(qx - far), _cell_of(qx + far) + 1):
                k = head[row * _SIDE + column]
                while k >= 0:
                    if not blocked[k]:
                        wx, wy = qx - x[k], qy - y[k]
                        d = math.sqrt(wx * wx + wy * wy)
                        if d < far and d > 0.5:
                            wx, wy = wx / d, wy / d
                            c = wx * tangent[k, 0] + wy * tangent[k, 1]
                            cost = 1.0 + 0.20 * (1.0 - c) + 1.6 * max(0.0, 0.05 - c)
                            cost += 0.7 * max(0.0, c - 0.75) / 0.25
                            if children[k] == 0:
                                cost += 2.0 * max(0.0, 0.7 - c)
                            cost += 0.55 * (1.0 - (wx * flow_x + wy * flow_y))
                            # Nothing of note crosses the temporal raphe.
                            if qy * y[k] < 0.0 and qx > 0.5:
                                cost *= 2.5
                            cost *= d
                            if cost < best_cost:
                                if best >= 0:
                                    gap = (x[k] - x[best]) ** 2 + (y[k] - y[best]) ** 2
                                    if gap > 0.5:
                                        second, second_cost = best, best_cost
                                best, best_cost = k, cost
                            elif cost < second_cost:
                                gap = (x[k] - x[best]) ** 2 + (y[k] - y[best]) ** 2
                                if gap > 0.5:
                                    second, second_cost = k, cost
                    k = chain[k]
        for attempt in range(2):
            host = best if attempt == 0 else second
            if host < 0:
                break
            wx, wy = qx - x[host], qy - y[host]
            d = math.sqrt(wx * wx + wy * wy)
            wx, wy = wx / d, wy / d
            hx, hy = tangent[host, 0], tangent[host, 1]
            c = wx * hx + wy * hy
            side = 1.0 if hx * wy - hy * wx > 0 else -1.0
            a = math.acos(min(max(c, -1.0), 1.0))
            if children[host] == 0:
                turn = 0.4 * a
            else:
                turn = 1.0 + 0.65 * rolls[t, 0]
                turn += 0.6 * max(0.0, a - turn)
            turn *= side
            sx = math.cos(turn) * hx - math.sin(turn) * hy
            sy = math.sin(turn) * hx + math.cos(turn) * hy
            ex = 0.75 * wx + 0.35 * flow_x
            ey = 0.75 * wy + 0.35 * flow_y
            n = math.sqrt(ex * ex + ey * ey) + 1e-9
            spin = 0.6 * rolls[t, 1] - 0.3
            ex, ey = (
                (math.cos(spin) * ex - math.sin(spin) * ey) / n,
                (math.sin(spin) * ex + math.cos(spin) * ey) / n,
            )
            reach = 0.72 * d
            m = min(max(int(d / step + 0.5), 2), 95)
            good = True
            for i in range(1, m + 1):
                u = i / m
                h00 = (1 + 2 * u) * (1 - u) ** 2
                h10 = u * (1 - u) ** 2
                h01 = u * u * (3 - 2 * u)
                h11 = u * u * (u - 1)
                px = h00 * x[host] + h01 * qx + reach * (h10 * sx + h11 * ex)
                py = h00 * y[host] + h01 * qy + reach * (h10 * sy + h11 * ey)
                path_x[i], path_y[i] = px, py
                if px * px + py * py < (0.92 * faz) ** 2:
                    good = False
                    break
                if (px - disc_x) ** 2 + (py - disc_y) ** 2 < (1.06 * disc_r) ** 2:
                    good = False
                    break
                # The first stretch necessarily runs close to its own host.
                near = min(0.32, 0.5 * math.sqrt((px - x[host]) ** 2 + (py - y[host]) ** 2))
                if _nearest2(x, y, head, chain, px, py, near) < near * near * 0.98:
                    good = False
                    break
            if not good:
                continue
            if count[0] + m >= len(x):
                return
            last = host
            for i in range(1, m + 1):
                k = count[0]
                x[k], y[k] = path_x[i], path_y[i]
                parent[k] = last
                lower[k] = lower[host]
                tx, ty = x[k] - x[last], y[k] - y[last]
                n = math.sqrt(tx * tx + ty * ty) + 1e-9
                tangent[k, 0], tangent[k, 1] = tx / n, ty / n
                children[last] += 1
                last = k
                count[0] += 1
            for k in range(count[0] - m, count[0]):
                _enter(x, y, head, chain, k)
            _block_round(x, y, blocked, head, chain, x[host], y[host], 0.45 + 0.30 * rolls[t, 2])
            break


def _targets(
    rng: np.random.Generator, spacing: float, count: int, patches: Floats
) -> tuple[Floats, Floats]:
    """Throw targets at the retina, as dense as the spacing wanted at each place.

    Returns
    -------
    targets : (count, 2) degrees.
    rolls : (count, 4), three uniform draws and the local factor on the spacing.
    """
    ecc = np.sqrt(np.linspace(0.0, 1.0, 257)) * REACH
    s = _spacings(ecc, spacing)
    weight = np.concatenate([[0.0], np.cumsum(1.0 / s[1:] ** 2)])
    r = np.interp(rng.random(count) * weight[-1], weight, ecc)
    angle = rng.uniform(0, 2 * np.pi, count)
    targets = np.stack([r * np.cos(angle), r * np.sin(angle)], axis=1)
    return targets, np.column_stack([rng.random((count, 3)), density_factor(targets, patches)])


def draw_patches(rng: np.random.Generator) -> Floats:
    """Draw how densely an eye's twigs stand, over all and from place to place.

    Returns
    -------
    (6, 4) : wave numbers in x and y, phase and strength; the strength of the last row is
        the eye's own factor.
    """
    angle = rng.uniform(0, 2 * np.pi, 5)
    number = 2 * np.pi / rng.uniform(11.0, 30.0, 5)
    waves = np.column_stack(
        [number * np.cos(angle), number * np.sin(angle), rng.uniform(0, 2 * np.pi, 5)]
    )
    overall = float(np.clip(np.exp(rng.normal(-0.01, 0.13)), 0.78, 1.40))
    return np.vstack([np.column_stack([waves, np.full(5, 0.125)]), [0.0, 0.0, 0.0, overall]])


def density_factor(points: Floats, patches: Floats) -> Floats:
    """Return the factor on the spacing of twigs at points."""
    phase = points @ patches[:-1, :2].T + patches[:-1, 2]
    return np.asarray(patches[-1, 3] * np.exp(np.sin(phase) @ patches[:-1, 3]))


# Spacing of each pass, how many targets are thrown, and the node spacing. The
# last passes are for the twigs of the posterior pole.
_PASSES: tuple[tuple[float, int, float], ...] = (
    (9.0, 150, 0.34),
    (6.0, 300, 0.34),
    (4.0, 520, 0.32),
    (2.8, 950, 0.30),
    (2.1, 1300, 0.28),
    (1.65, 1300, 0.26),
)


def branch(arteries: Growing, veins: Growing, anatomy: Anatomy, rng: np.random.Generator) -> None:
    """Grow the side branches of both trees in place."""
    disc = np.array([anatomy.disc_x, anatomy.disc_y, anatomy.disc_diameter / 2])
    patches = draw_patches(rng)
    for spacing, count, step in _PASSES:
        first = rng.random() < 0.5
        for tree, other in ((arteries, veins), (veins, arteries))[:: 1 if first else -1]:
            targets, rolls = _targets(rng, spacing, count, patches)
            # Visible arterioles end a little nearer to the fovea than venules.
            faz = anatomy.faz_radius + (0.0 if tree is arteries else 0.12)
            _graft(
                targets, rolls, spacing, disc, faz, step,
                tree.x, tree.y, tree.parent, tree.tangent, tree.lower, tree.children,
                tree.blocked, tree.head, tree.chain, tree.count,
                other.x, other.y, other.head, other.chain,
            )  # fmt: skip


@njit(cache=True)
def settle(
    x: Floats,
    y: Floats,
    parent: NDArray[np.int32],
    weight: Floats,
    sweeps: int,
    lam: float,
) -> None:
    """Smooth a tree in place so that T-shaped joints open into Y's and kinks go.

    Each node moves towards the mean of its parent and of its children's centroid,
    in which a heavier child pulls harder. Roots and tips stay.
    """
    n = len(x)
    cx = np.empty(n)
    cy = np.empty(n)
    cw = np.empty(n)
    heaviest = np.zeros(n)
    for k in range(n):
        p = parent[k]
        if p >= 0 and weight[k] > heaviest[p]:
            heaviest[p] = weight[k]
    for _ in range(sweeps):
        cx[:] = 0.0
        cy[:] = 0.0
        cw[:] = 0.0
        for k in range(n):
            p = parent[k]
            if p >= 0:
                w = weight[k]
                if w == heaviest[p]:
                    w = 1.5 * w + 1.0
                cx[p] += w * x[k]
                cy[p] += w * y[k]
                cw[p] += w
        for k in range(n):
            p = parent[k]
            if p >= 0 and cw[k] > 0.0:
                x[k] += lam * (0.5 * (x[p] + cx[k] / cw[k]) - x[k])
                y[k] += lam * (0.5 * (y[p] + cy[k] / cw[k]) - y[k])
