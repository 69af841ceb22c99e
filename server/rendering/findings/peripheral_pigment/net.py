"""The net of bone spicules: knots of pigment on and between vessels, joined by thin arms.

Pigment epithelium that has wandered into the inner retina gathers round the
vessels: it sheathes stretches of them, thickens where they fork, and sends out
kinked processes that meet those of its neighbours (Li, Possin and Milam 1995;
size about 0.1 to 0.5 mm with 3 to 7 arms, values from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.spatial import Delaunay

from server.rendering.anatomy import Anatomy
from server.rendering.eye import Eye
from server.rendering.findings.peripheral_pigment.extent import INNERMOST_DEG, Extent
from server.rendering.frame import Floats, Frame
from server.rendering.lesions import draw_ripples, spots
from server.rendering.noise import Noise
from server.rendering.streams import stream
from server.rendering.strokes import draw_pieces
from server.rendering.vessels import grow

Column = NDArray[np.float64]

_OUTERMOST_DEG = 56.0
_FREE = 5200
_ARM_POINTS = 5
_NEVER = 9.0


@dataclass(frozen=True, eq=False)
class Net:
    """Everything that may ever appear in one eye, each item with its onset.

    Parameters
    ----------
    x, y, radius, onset, aspect, turn, ripples, shade : the knots; shade is the
        optical density, 0.5 to 1.
    arms : shape (n, points, 2), canonical degrees, from the root to the tip.
    arm_onset, arm_radius : when an arm begins, and its half width at the root.
    sheath : shape (m, 4), pieces of vessels x0 y0 x1 y1 that pigment lies along.
    sheath_onset, sheath_radius : likewise.
    """

    x: Column
    y: Column
    radius: Column
    onset: Column
    aspect: Column
    turn: Column
    ripples: Column
    shade: Column
    arms: Column
    arm_onset: Column
    arm_radius: Column
    arm_shade: Column
    sheath: Column
    sheath_onset: Column
    sheath_radius: Column


@lru_cache(maxsize=2)
def draw_net(eye: Eye, anatomy: Anatomy, variant: str) -> Net:
    """Draw the net of an eye (kept for its other severities and views)."""
    extent = Extent.of(eye.seed, variant)
    trees = grow(eye, anatomy)
    rng = stream(eye.seed, "peripheral-pigment net")
    # Candidates: places on vessels (veins rather than arteries), then free ones.
    nodes = [trees.veins, trees.arteries]
    tangents = [tree.tangent() for tree in nodes]
    x = np.concatenate([tree.x for tree in nodes])
    y = np.concatenate([tree.y for tree in nodes])
    along = np.concatenate([np.arctan2(ty, tx) for tx, ty in tangents])
    chance = np.concatenate(
        [np.full(len(tree), c) for tree, c in zip(nodes, (1, 0.7), strict=True)]
    )
    free_x, free_y = rng.uniform(-_OUTERMOST_DEG, _OUTERMOST_DEG, (2, _FREE))
    x, y = np.concatenate([x, free_x]), np.concatenate([y, free_y])
    along = np.concatenate([along, rng.uniform(-np.pi, np.pi, _FREE)])
    on_vessel = np.arange(len(x)) < len(chance)
    chance = np.concatenate([chance, np.full(_FREE, 0.5)])
    crowd = Noise(eye.seed, "peripheral-pigment crowd", 5.5).at(x, y).astype(float)
    crowd += 0.5 * Noise(eye.seed, "peripheral-pigment crowd", 2.4).at(x, y)
    # Vessel places are tried first, so that the free ones only fill the gaps.
    order = np.argsort(rng.random(len(x)) / chance + 0.6 * ~on_vessel)
    spacing = np.clip(1.15 - 0.34 * crowd, 0.62, 2.2) * rng.uniform(0.75, 1.35, len(x))
    ecc = np.hypot(x, y)
    off_disc = np.hypot(x - anatomy.disc_x, y - anatomy.disc_y)
    allowed = (ecc > INNERMOST_DEG) & (ecc < _OUTERMOST_DEG)
    allowed &= off_disc > 1.25 * anatomy.disc_diameter
    kept = _thin_out(x, y, spacing, order[allowed[order]])
    x, y, along, on_vessel, crowd = x[kept], y[kept], along[kept], on_vessel[kept], crowd[kept]
    n = len(x)
    onset = _onset(extent, variant, x, y, crowd, rng.random(n))
    onset = np.where(on_vessel, onset, onset + 0.10)
    radius = np.clip(rng.lognormal(np.log(0.125), 0.45, n), 0.05, 0.36)
    shade = np.clip(rng.normal(0.86, 0.14, n), 0.45, 1.0)
    arms, arm_onset, arm_radius, arm_shade = _arms(
        rng, x, y, along, on_vessel, onset, radius, shade
    )
    sheath, sheath_onset, sheath_radius = _sheaths(eye, anatomy, extent, variant)
    return Net(
        x, y, radius, onset,
        aspect=rng.uniform(1.0, 2.6, n), turn=along + rng.normal(0, 0.25, n),
        ripples=draw_ripples(rng, n, 0.26, 4), shade=shade,
        arms=arms, arm_onset=arm_onset, arm_radius=arm_radius, arm_shade=arm_shade,
        sheath=sheath, sheath_onset=sheath_onset, sheath_radius=sheath_radius,
    )  # fmt: skip


def _onset(
    extent: Extent, variant: str, x: Column, y: Column, crowd: Column, luck: Column
) -> Column:
    """Return the severity at which each item begins: outer ones and crowded places first."""
    depth = extent.depth(x, y).astype(float)
    inward = np.clip((25.0 - depth) / 11.0, 0.0, 3.0)
    onset = 0.04 + 0.42 * inward + 0.62 * luck - 0.13 * np.clip(crowd, -2, 1.5)
    # Far out the retina is thin of vessels, and of pigment.
    onset += 0.5 * np.clip((depth - 46.0) / 8.0, 0.0, 1.0)
    if variant == "sector":
        # With less room, it needs to start sooner to be seen at all.
        onset -= 0.08
    if variant == "sparse":
        onset = 0.09 + 0.36 * inward + 1.75 * luck - 0.10 * np.clip(crowd, -2, 1.5)
    return np.maximum(onset, 0.03)


def _arms(
    rng: np.random.Generator,
    x: Column,
    y: Column,
    along: Column,
    on_vessel: NDArray[np.bool_],
    onset: Column,
    radius: Column,
    shade: Column,
) -> tuple[Column, Column, Column, Column]:
    """Return arms between neighbouring knots, half from each side, and short free spurs."""
    points = np.stack([x, y], axis=1)
    triangles = Delaunay(points).simplices
    pairs = np.sort(np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]],
                                    triangles[:, [0, 2]]]), axis=1)  # fmt: skip
    # As one number each: whole rows are slow to sort.
    numbered = np.unique(pairs[:, 0].astype(np.int64) * len(points) + pairs[:, 1])
    pairs = np.stack(np.divmod(numbered, len(points)), axis=1)
    length = np.hypot(*(points[pairs[:, 0]] - points[pairs[:, 1]]).T)
    way = np.arctan2(*(points[pairs[:, 1]] - points[pairs[:, 0]]).T[::-1])
    aligned = np.cos(way - along[pairs[:, 0]]) ** 2 * on_vessel[pairs[:, 0]]
    aligned = np.maximum(aligned, np.cos(way - along[pairs[:, 1]]) ** 2 * on_vessel[pairs[:, 1]])
    wanted = 0.95 * np.exp(-((length / 1.75) ** 2)) * (0.45 + 0.75 * aligned)
    luck = rng.random(len(pairs))
    chosen = luck < wanted
    pairs, length = pairs[chosen], length[chosen]
    # Arms that reach the middle meet their neighbour's; others stop short.
    reach = np.where(rng.random(len(pairs)) < 0.66, 0.52, rng.uniform(0.2, 0.42, len(pairs)))
    later = np.abs(onset[pairs[:, 0]] - onset[pairs[:, 1]])
    reach = np.where(later > 0.55, 0.5 * reach, reach)
    bow = rng.normal(0.0, 0.11, len(pairs))
    root = np.concatenate([pairs[:, 0], pairs[:, 1]])
    end = np.concatenate([pairs[:, 1], pairs[:, 0]])
    span = (points[end] - points[root]) * np.concatenate([reach, reach])[:, None]
    side = np.concatenate([bow, -bow])
    delay = rng.uniform(0.0, 0.16, len(root))
    # Spurs: short and free, at any angle.
    spur_root = np.repeat(np.arange(len(x)), rng.integers(0, 4, len(x)))
    size = rng.uniform(0.22, 0.80, len(spur_root))
    turn = rng.uniform(-np.pi, np.pi, len(spur_root))
    span = np.concatenate([span, np.stack([size * np.cos(turn), size * np.sin(turn)], 1)])
    side = np.concatenate([side, rng.normal(0, 0.10, len(spur_root))])
    delay = np.concatenate([delay, rng.uniform(0.02, 0.2, len(spur_root))])
    root = np.concatenate([root, spur_root])
    normal = np.stack([-span[:, 1], span[:, 0]], axis=1)
    t = np.linspace(0.0, 1.0, _ARM_POINTS)
    kinks = rng.normal(0.0, 0.105, (len(root), _ARM_POINTS))
    kinks[:, 0] = 0.0
    # Joined arms meet at one point: only what lies between is kinked.
    kinks[:, -1] = 0.0
    offset = kinks + 2 * side[:, None] * t * (1 - 0.5 * t)
    slip = t[None, :] + rng.uniform(-0.06, 0.06, kinks.shape) * (t * (1 - t) * 4)[None, :]
    arms = (
        points[root][:, None, :]
        + span[:, None, :] * slip[..., None]
        + normal[:, None, :] * offset[..., None]
    )
    thick = np.clip(0.60 * radius[root], 0.040, 0.120) * rng.uniform(0.75, 1.25, len(root))
    return arms, onset[root] + delay, thick, shade[root]


def _sheaths(
    eye: Eye, anatomy: Anatomy, extent: Extent, variant: str
) -> tuple[Column, Column, Column]:
    """Return pieces of vessels that pigment lies along, in runs with gaps between."""
    pieces, onsets, radii = [], [], []
    trees = grow(eye, anatomy)
    for name, tree, hard in (("veins", trees.veins, 0.0), ("arteries", trees.arteries, 0.22)):
        child = np.flatnonzero(tree.parent >= 0)
        parent = tree.parent[child]
        x, y = tree.x[child], tree.y[child]
        ecc = np.hypot(x, y)
        off_disc = np.hypot(x - anatomy.disc_x, y - anatomy.disc_y)
        inside = (ecc > INNERMOST_DEG + 1) & (off_disc > 1.4 * anatomy.disc_diameter)
        child, parent = child[inside], parent[inside]
        x, y = x[inside], y[inside]
        run = Noise(eye.seed, f"peripheral-pigment sheath {name}", 1.5).at(x, y).astype(float)
        run += 0.6 * Noise(eye.seed, f"peripheral-pigment sheath {name}", 0.5).at(x, y)
        crowd = Noise(eye.seed, "peripheral-pigment crowd", 5.5).at(x, y).astype(float)
        # A great vessel is rarely wrapped; a twig often is.
        wide = np.clip((tree.radius[child] - 0.07) / 0.05, 0.0, 1.5)
        luck = np.clip(0.85 - 0.42 * run + hard + wide, 0.0, 3.0)
        onset = 0.10 + _onset(extent, variant, x, y, crowd, luck)
        pieces.append(np.stack([tree.x[parent], tree.y[parent], x, y], axis=1))
        onsets.append(onset)
        radii.append(0.7 * np.minimum(tree.radius[child], 0.09) + 0.022)
    return np.concatenate(pieces), np.concatenate(onsets), np.concatenate(radii)


@njit(cache=True)
def _thin_out(x: Column, y: Column, spacing: Column, order: NDArray[np.int64]) -> NDArray[np.int64]:
    """Keep items in order unless one kept before lies within their spacing."""
    cell, reach = 1.0, 3
    side = 140
    head = np.full((side, side), -1, np.int64)
    following = np.full(len(x), -1, np.int64)
    kept = np.empty(len(order), np.int64)
    count = 0
    for n in order:
        i, j = int(y[n] / cell) + side // 2, int(x[n] / cell) + side // 2
        free = True
        for a in range(max(i - reach, 0), min(i + reach + 1, side)):
            for b in range(max(j - reach, 0), min(j + reach + 1, side)):
                m = head[a, b]
                while m >= 0 and free:
                    if (x[n] - x[m]) ** 2 + (y[n] - y[m]) ** 2 < spacing[n] ** 2:
                        free = False
                    m = following[m]
        if free:
            following[n] = head[i, j]
            head[i, j] = n
            kept[count] = n
            count += 1
    return kept[:count]


def net_cover(net: Net, severity: float, frame: Frame) -> Floats:
    """Return the optical cover (0 to 1) of the net at a severity, float32."""
    half = frame.field_deg / 2 + 1.5
    cx, cy = frame.centre_deg

    def near(x: Column, y: Column) -> NDArray[np.bool_]:
        return np.asarray((x - cx) ** 2 + (y - cy) ** 2 < half * half)

    k = np.flatnonzero(near(net.x, net.y) & (net.onset < severity))
    began = _begun(severity, net.onset[k], 0.30)
    body = spots(
        frame, net.x[k], net.y[k], net.radius[k] * (0.25 + 0.75 * began), edge=0.035,
        strength=net.shade[k] * np.minimum(1.0, 3.0 * began), aspect=net.aspect[k],
        turn=net.turn[k], ripples=net.ripples[k],
    )  # fmt: skip
    a = np.flatnonzero(near(net.arms[:, 0, 0], net.arms[:, 0, 1]) & (net.arm_onset < severity))
    grown = _begun(severity, net.arm_onset[a], 0.28)
    root = net.arms[a][:, :1]
    paths = root + (net.arms[a] - root) * grown[:, None, None] ** 0.7
    taper = np.linspace(1.0, 0.30, _ARM_POINTS)
    radii = net.arm_radius[a][:, None] * np.sqrt(grown)[:, None] * taper
    shade = net.arm_shade[a] * np.minimum(1.0, 3.0 * grown)
    pieces = np.concatenate(
        [
            paths[:, :-1], radii[:, :-1, None], paths[:, 1:], radii[:, 1:, None],
            np.broadcast_to(shade[:, None, None], (len(a), _ARM_POINTS - 1, 1)),
        ],
        axis=2,
    ).reshape(-1, 7)  # fmt: skip
    s = np.flatnonzero(near(net.sheath[:, 0], net.sheath[:, 1]) & (net.sheath_onset < severity))
    sheathed = _begun(severity, net.sheath_onset[s], 0.35)
    width = net.sheath_radius[s] * sheathed**0.7
    runs = np.column_stack(
        [net.sheath[s, :2], width, net.sheath[s, 2:], width, 0.85 * np.minimum(1.0, 2 * sheathed)]
    )
    lines = draw_pieces(frame, np.concatenate([pieces, runs]), soft=0.030)
    return np.maximum(body, lines, out=body)


def _begun(severity: float, onset: Column, over: float) -> Column:
    t = np.clip((severity - onset) / over, 0.0, 1.0)
    return np.asarray(t * t * (3 - 2 * t), float)
