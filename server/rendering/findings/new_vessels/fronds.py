"""The course of new vessels: a feeder, a hub, spokes that fork, loops between them, an arcade.

A frond is laid out once at its full size, in polar coordinates about its hub,
and then bent by noise fixed to the retina, which makes it wiry. Every point has
a birth between 0 and 1 (its distance along the growth): at a given age the frond
is what has been born, so smaller fronds are parts of larger ones.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from server.rendering.lesions import smoothstep
from server.rendering.scene import Scene
from server.rendering.strokes import Stroke

Array = NDArray[np.float64]

SPACING = 0.44
"""Degrees between neighbouring spokes: they fork when further apart."""
_STEP = 0.42
_FADE_IN = 0.07
"""Share of the growth over which a vessel opens to its calibre."""

# Half widths in degrees: 0.086 is a calibre of 50 micrometres, 0.017 one of 10.
_FEEDER = 0.080
_STEM = 0.050
_SPOKE = 0.037
_LOOP = 0.033
_RIM = 0.040
_WIRINESS = ((0.26, 1.15), (0.11, 0.45), (0.044, 0.22))
"""Displacement (degrees) at each scale (degrees)."""


@dataclass(frozen=True, eq=False)
class Path:
    """One vessel: points (n, 2) in degrees, half widths and births (n,)."""

    points: Array
    radii: Array
    births: Array


@dataclass(frozen=True)
class Plan:
    """Where a frond lies and how it is shaped.

    Parameters
    ----------
    name : key of its randomness.
    root : the point on the vein that feeds it, canonical degrees.
    hub : where it fans out.
    heading, opening : middle direction and angular width of the fan, radians.
    reach : length of its longest spokes, degrees.
    onset : severity at which it begins.
    """

    name: str
    root: tuple[float, float]
    hub: tuple[float, float]
    heading: float
    opening: float
    reach: float
    onset: float = 0.0


@dataclass
class _Spoke:
    nodes: list[tuple[float, float]]
    drift: float
    order: int
    calibre: float
    ended: bool = False
    born: int = 0
    marks: dict[int, tuple[float, float]] = field(default_factory=dict)


Allowed = Callable[[Array, Array], NDArray[np.bool_]]


def frond(scene: Scene, plan: Plan, allowed: Allowed) -> list[Path]:
    """Lay out one frond at its full size.

    Parameters
    ----------
    allowed : tells for canonical points (arrays) where it may spread.
    """
    rng = scene.rng(f"new-vessels frond {plan.name}")
    limit = _limits(rng, plan, allowed)
    spokes = _spokes(rng, plan, limit)
    polar: list[tuple[Array, Array, Array]] = []
    for spoke in spokes:
        nodes = np.array(spoke.nodes)
        if len(nodes) < 2:
            continue
        curve = _smooth(nodes)
        rho = curve[:, 0]
        # The feeder's blood is shared out at the hub; beyond there is hardly a taper.
        base = spoke.calibre * (_SPOKE + (_STEM - _SPOKE) * np.exp(-rho / 0.8) * (spoke.order == 0))
        polar.append((curve, base, rho / plan.reach))
    polar += _loops(rng, plan, spokes)
    bent = _bent(scene, plan, [curve for curve, _, _ in polar])
    paths = []
    for points, (_, radii, births) in zip(bent, polar, strict=True):
        wave, shift = rng.uniform(0.5, 0.9), rng.uniform(0, 6)
        uneven = 1 + 0.14 * np.sin(np.arange(len(points)) * wave + shift)
        paths.append(Path(points, radii * uneven, births))
    paths += _feeders(rng, plan)
    return paths


def strokes_of(paths: list[Path], age: float) -> list[Stroke]:
    """Return what of a frond has grown at an age (0 to 1), as strokes."""
    if age <= 0:
        return []
    out = []
    for path in paths:
        open_ = np.asarray(smoothstep(0.0, _FADE_IN, age - path.births * (1 - _FADE_IN)), float)
        if open_.max() <= 0:
            continue
        out.append(Stroke(path.points, path.radii * open_))
    return out


def _limits(rng: np.random.Generator, plan: Plan, allowed: Allowed) -> Callable[[float], float]:
    """Return how far the fan reaches in each direction (angle from the heading)."""
    angles = np.linspace(-math.pi, math.pi, 65)
    lobes = np.zeros_like(angles)
    for k in (1, 2, 3, 4, 6):
        lobes += rng.normal(0, 0.10 / k**0.5) * np.cos(k * angles + rng.uniform(0, 2 * math.pi))
    edge = np.abs(angles) / (plan.opening / 2)
    fan = 1 - 0.7 * np.asarray(smoothstep(0.8, 1.3, edge), float)
    reach = plan.reach * np.clip(0.90 + lobes, 0.55, 1.05) * fan
    steps = np.arange(0.1, plan.reach + 0.01, 0.22)
    way = plan.heading + angles[:, None]
    inside = allowed(plan.hub[0] + steps * np.cos(way), plan.hub[1] + steps * np.sin(way))
    first_out = np.where(inside.all(axis=1), 99.0, steps[np.argmin(inside, axis=1)] - 0.22)
    reach = np.minimum(reach, first_out * rng.uniform(0.88, 1.0, len(angles)))
    return lambda angle: float(np.interp(angle, angles, reach))


def _spokes(rng: np.random.Generator, plan: Plan, limit: Callable[[float], float]) -> list[_Spoke]:
    count = int(rng.integers(3, 6)) + (2 if plan.opening > 3.2 else 0)
    half = 0.5 * plan.opening * 0.82
    first = np.linspace(-half, half, count) + rng.normal(0, 0.16, count)
    spokes = [
        _Spoke([(0.0, float(a)), (0.30, float(a))], 0.0, 0, rng.uniform(0.8, 1.2)) for a in first
    ]
    active = list(spokes)
    levels = int(plan.reach / _STEP) + 2
    for level in range(1, levels):
        active.sort(key=lambda spoke: spoke.nodes[-1][1])
        born: list[_Spoke] = []
        for n, spoke in enumerate(active):
            rho0, phi = spoke.nodes[-1]
            rho = rho0 + _STEP * rng.uniform(0.65, 1.35)
            left = active[n - 1].nodes[-1][1] if n else phi - 9.0
            right = active[n + 1].nodes[-1][1] if n + 1 < len(active) else phi + 9.0
            spoke.drift = 0.45 * spoke.drift + rng.normal(0, 0.20)
            # Crowded spokes lean away from the nearer neighbour.
            lean = 0.0
            if phi - left < 0.7 * SPACING / rho0:
                lean += 0.12
            if right - phi < 0.7 * SPACING / rho0:
                lean -= 0.12
            phi_new = phi + (spoke.drift + lean) / max(rho, 0.5)
            farthest = limit(phi_new)
            if rho >= farthest:
                if farthest > rho0 + 0.05:
                    spoke.nodes.append((farthest, phi_new))
                spoke.ended = True
                continue
            spoke.nodes.append((rho, phi_new))
            spoke.marks[level] = (rho, phi_new)
            gap = min(right - phi, phi - left, 2.2) * rho
            if gap > 1.15 * SPACING and rng.random() < 0.80:
                way = 1 if right - phi > phi - left else -1
                turn = way * rng.uniform(0.32, 0.6) * min(gap, 1.6) / rho
                child = _Spoke(
                    [spoke.nodes[-1], (rho + 0.6 * _STEP, phi_new + turn)],
                    0.3 * way * SPACING,
                    spoke.order + 1,
                    spoke.calibre * rng.uniform(0.75, 1.05),
                    born=level,
                )
                if child.nodes[1][0] < limit(child.nodes[1][1]):
                    born.append(child)
            elif level > 2 and rng.random() < 0.07:
                spoke.ended = True
        spokes += born
        active = [spoke for spoke in active if not spoke.ended] + born
        if not active:
            break
    return spokes


def _loops(
    rng: np.random.Generator, plan: Plan, spokes: list[_Spoke]
) -> list[tuple[Array, Array, Array]]:
    """Return the loops between neighbours: some on the way, nearly all at the rim."""
    out = []

    def loop(a: tuple[float, float], b: tuple[float, float], calibre: float, bulge: float) -> None:
        gap = abs(a[1] - b[1]) * 0.5 * (a[0] + b[0])
        t = np.linspace(0, 1, 13)
        rho = a[0] + (b[0] - a[0]) * t + bulge * gap * 4 * t * (1 - t) * (0.7 + 0.6 * t)
        # It leaves along the spoke and comes back the same way: round, not a chord.
        phi = a[1] + (b[1] - a[1]) * (t + 0.13 * np.sin(2 * math.pi * t) * -1)
        births = (0.5 * (a[0] + b[0]) / plan.reach + 0.01) + 0.05 * np.minimum(t, 1 - t)
        births = np.minimum(births, 0.995)
        out.append((np.column_stack([rho, phi]), np.full(13, calibre), births))

    tips = sorted((spoke.nodes[-1] for spoke in spokes), key=lambda node: node[1])
    for a, b in itertools.pairwise(tips):
        gap, step = abs(a[1] - b[1]) * 0.5 * (a[0] + b[0]), abs(a[0] - b[0])
        if gap < 2.6 * SPACING and step < 1.6 and rng.random() < 0.88:
            loop(a, b, _RIM * rng.uniform(0.8, 1.25), rng.uniform(0.25, 0.6))
        elif rng.random() < 0.5:
            _curl(rng, plan, a, out)
    levels = {level for spoke in spokes for level in spoke.marks}
    for level in sorted(levels):
        ring = sorted((s.marks[level] for s in spokes if level in s.marks), key=lambda m: m[1])
        for a, b in itertools.pairwise(ring):
            gap = abs(a[1] - b[1]) * 0.5 * (a[0] + b[0])
            if rng.random() < 0.30 and 0.2 < gap < 2.2 * SPACING:
                loop(a, b, _LOOP * rng.uniform(0.75, 1.15), rng.uniform(0.1, 0.7))
    return out


def _curl(
    rng: np.random.Generator,
    plan: Plan,
    tip: tuple[float, float],
    out: list[tuple[Array, Array, Array]],
) -> None:
    """Let a lone tip turn back on itself."""
    rho, phi = tip
    size = rng.uniform(0.16, 0.32)
    way = rng.choice([-1.0, 1.0])
    a = np.linspace(0, rng.uniform(3.6, 5.2), 12)
    r = rho + size * np.sin(a)
    p = phi + way * size * (1 - np.cos(a)) / max(rho, 0.4)
    births = np.minimum(rho / plan.reach + 0.04 * a / 5, 0.995)
    out.append((np.column_stack([r, p]), np.full(12, 0.9 * _LOOP), births))


def _bent(scene: Scene, plan: Plan, curves: list[Array]) -> list[Array]:
    """Turn polar curves about the hub into canonical ones, made wiry by noise of the retina."""
    curve = np.concatenate(curves)
    angle = plan.heading + curve[:, 1]
    x = plan.hub[0] + curve[:, 0] * np.cos(angle)
    y = plan.hub[1] + curve[:, 0] * np.sin(angle)
    near = np.clip(curve[:, 0] / 0.7, 0, 1)
    points = np.column_stack([x, y])
    for gain, cell in _WIRINESS:
        shift = [scene.noise(f"new-vessels bend {axis}", cell).at(x, y) for axis in "xy"]
        points = points + gain * near[:, None] * np.column_stack(shift)
    return np.split(points, np.cumsum([len(c) for c in curves])[:-1])


def _feeders(rng: np.random.Generator, plan: Plan) -> list[Path]:
    """Return the stem from the vein to the hub, and often a second one that drains it."""
    out = []
    root, hub = np.array(plan.root), np.array(plan.hub)
    way = hub - root
    length = max(float(np.hypot(*way)), 1e-6)
    normal = np.array([-way[1], way[0]]) / length
    t = np.linspace(0, 1, 14)
    for n in range(2):
        bow = rng.uniform(0.12, 0.38) * (1 if n == 0 else -1) * min(length, 1.2)
        slide = rng.uniform(0.15, 0.5) * n
        thick = _FEEDER * rng.uniform(0.80, 1.05) * (1.0 if n == 0 else 0.75)
        there = rng.random() < (1.0 if n == 0 else 0.6)
        if not there:
            continue
        start = root + slide * normal * np.sign(bow)
        points = start + (hub - start) * t[:, None]
        points = points + (bow * np.sin(math.pi * t) + 0.04 * np.sin(9 * t))[:, None] * normal
        out.append(Path(points, np.full(14, thick), 0.02 + 0.10 * t * (n + 0.2)))
    return out


def _smooth(nodes: Array) -> Array:
    """Return a Catmull-Rom curve through nodes, six points a piece."""
    padded = np.concatenate([[2 * nodes[0] - nodes[1]], nodes, [2 * nodes[-1] - nodes[-2]]])
    t = np.arange(6)[:, None] / 6
    p0, p1, p2, p3 = (padded[k : k + len(nodes) - 1][:, None] for k in range(4))
    curve = 0.5 * (
        2 * p1
        + (p2 - p0) * t
        + (2 * p0 - 5 * p1 + 4 * p2 - p3) * t**2
        + (3 * p1 - p0 - 3 * p2 + p3) * t**3
    )
    return np.concatenate([curve.reshape(-1, 2), nodes[-1:]])
