"""Side branches grown onto the trunks, coarse ones first, until no retina is left unserved.

Targets are thrown at the retina; one that lies far enough from every vessel of
its own kind, and not on top of the other kind, is joined to the host that can
reach it with the most vessel-like bend. Arteries and veins take turns, so
that they end up interlaced.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from server.rendering.anatomy import Anatomy
from server.rendering.vessels.density import (
    draw_patches,
    local_spacing,
    throw_targets,
    wanted_flow,
)
from server.rendering.vessels.model import Floats
from server.rendering.vessels.planting import (
    REACH,
    SIDE,
    Growing,
    block_round,
    cell_of,
    enter,
    nearest2,
)


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
        if nearest2(x, y, head, chain, qx, qy, clear) < clear * clear:
            continue
        apart = 0.28 * s
        if nearest2(other_x, other_y, other_head, other_chain, qx, qy, apart) < apart * apart:
            continue
        flow_x, flow_y = wanted_flow(qx, qy, disc_x, disc_y)
        far = 2.6 * s + 1.2
        # Near the fovea every twig makes for it; further out the flow is a mere leaning.
        drawn = math.exp(-((ecc / 11.0) ** 2))
        best = second = -1
        best_cost = second_cost = 1e18
        for row in range(cell_of(qy - far), cell_of(qy + far) + 1):
            for column in range(cell_of(qx - far), cell_of(qx + far) + 1):
                k = head[row * SIDE + column]
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
                                cost += 3.5 * max(0.0, 0.8 - c)
                            cost += (0.55 + 1.1 * drawn) * (1.0 - (wx * flow_x + wy * flow_y))
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
                # Twigs of twigs fork at a sharper angle than branches of a trunk.
                turn = (1.12 if spacing > 3.0 else 1.02) + 0.60 * rolls[t, 0]
                turn += 0.6 * max(0.0, a - turn)
            turn *= side
            sx = math.cos(turn) * hx - math.sin(turn) * hy
            sy = math.sin(turn) * hx + math.cos(turn) * hy
            ex = 0.75 * wx + (0.35 + 0.9 * drawn) * flow_x
            ey = 0.75 * wy + (0.35 + 0.9 * drawn) * flow_y
            n = math.sqrt(ex * ex + ey * ey) + 1e-9
            spin = (0.6 * rolls[t, 1] - 0.3) * (1.0 - 0.5 * drawn)
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
                # A course that turns its back on the flow would end as a box or a ladder.
                if i > 1 and 3 * i > m:
                    ux, uy = px - path_x[i - 1], py - path_y[i - 1]
                    gx, gy = wanted_flow(px, py, disc_x, disc_y)
                    if ux * gx + uy * gy < (-0.55 + 0.65 * drawn) * math.sqrt(ux * ux + uy * uy):
                        good = False
                        break
                # The first stretch necessarily runs close to its own host.
                near = min(0.32, 0.5 * math.sqrt((px - x[host]) ** 2 + (py - y[host]) ** 2))
                if nearest2(x, y, head, chain, px, py, near) < near * near * 0.98:
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
                enter(x, y, head, chain, k)
            block_round(x, y, blocked, head, chain, x[host], y[host], 0.45 + 0.30 * rolls[t, 2])
            break


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
            targets, rolls = throw_targets(rng, spacing, count, patches)
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
