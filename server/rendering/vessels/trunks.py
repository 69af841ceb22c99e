"""The named trunks of each half of the fundus: smooth courses from disc to periphery.

Courses are given in a frame with its origin at the disc's centre, u pointing to
the fovea, v away from the horizontal (up for the superior half, down for the
inferior one), in units of the disc-fovea distance. Only the temporal arcade
starts inside the disc; the others leave it at a tangent, or every disc looks
like the hub of a wheel.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from server.rendering.anatomy import Anatomy
from server.rendering.vessels.model import TRUNKS, Floats
from server.rendering.vessels.splines import sampled

STEP = 0.28
"""Distance between nodes along a trunk, degrees."""

_COURSES: dict[str, list[tuple[float, float]]] = {
    "temporal": [
        (-0.012, -0.004), (-0.012, 0.10), (0.045, 0.25), (0.17, 0.46), (0.40, 0.63),
        (0.78, 0.71), (1.18, 0.69), (1.58, 0.64), (2.0, 0.62), (2.5, 0.66), (3.1, 0.74),
        (3.9, 0.86), (4.5, 0.95),
    ],
    "outer": [
        (0.085, 0.33), (0.15, 0.52), (0.31, 0.78), (0.58, 1.02), (0.95, 1.22), (1.35, 1.40),
        (1.8, 1.58), (2.3, 1.78), (2.9, 2.06), (3.5, 2.4), (4.0, 2.7),
    ],
    "nasal": [
        (-0.02, 0.012), (-0.05, 0.09), (-0.13, 0.21), (-0.30, 0.37), (-0.55, 0.56),
        (-0.88, 0.80), (-1.25, 1.06), (-1.6, 1.32), (-2.0, 1.66), (-2.4, 2.0),
    ],
    "upright": [
        (-0.035, 0.06), (-0.045, 0.20), (-0.08, 0.42), (-0.07, 0.70), (-0.08, 1.0),
        (-0.05, 1.4), (0.0, 1.85), (0.1, 2.4), (0.2, 3.0), (0.3, 3.5),
    ],
    "macular": [
        (-0.01, 0.02), (0.06, 0.045), (0.15, 0.085), (0.28, 0.15), (0.43, 0.20), (0.56, 0.225),
        (0.70, 0.235),
    ],
    "horizontal": [
        (-0.02, 0.005), (-0.12, 0.03), (-0.30, 0.075), (-0.55, 0.12), (-0.85, 0.19),
        (-1.2, 0.28), (-1.6, 0.40), (-2.05, 0.54), (-2.5, 0.7),
    ],
}  # fmt: skip

# Where each trunk leaves the arcade, in disc radii from the disc's centre, and how
# often an eye has it.
_LEAVES: dict[str, tuple[float, float, float]] = {
    "horizontal": (0.22, 0.62, 0.86),
    "nasal": (0.40, 1.15, 1.0),
    "upright": (0.80, 1.9, 0.68),
    "outer": (1.25, 3.1, 0.90),
    "macular": (0.26, 0.80, 0.86),
}
_ON_OUTER_SIDE = ("horizontal", "nasal", "upright", "outer")


@dataclass(frozen=True, eq=False)
class Trunk:
    """A smooth course of one trunk.

    Parameters
    ----------
    name : one of TRUNKS.
    lower : belongs to the inferior half.
    points : (n, 2) canonical degrees at about STEP apart, the first on the host.
    host : position in the list of trunks of the one that it leaves, -1 for a root.
    host_point : index of the host's point that it leaves from.
    """

    name: str
    lower: bool
    points: Floats
    host: int
    host_point: int


def lay_trunks(
    anatomy: Anatomy, shared: np.random.Generator, own: np.random.Generator, artery: bool
) -> list[Trunk]:
    """Lay the trunks of one tree.

    Parameters
    ----------
    anatomy : where the disc is.
    shared : draws common to both trees (an arcade's artery and vein run together); must be
        in the same state for both.
    own : draws of this tree.
    artery : which tree.
    """
    trunks: list[Trunk] = []
    roots = _emerge(own, artery)
    for lower in (False, True):
        _lay_half(trunks, anatomy, lower, roots, shared, own, artery)
    _lay_capillaries(trunks, anatomy, own)
    if artery and anatomy.cilioretinal:
        trunks.append(_cilioretinal(anatomy, own))
    return trunks


def _lay_half(
    trunks: list[Trunk],
    anatomy: Anatomy,
    lower: bool,
    roots: list[Floats],
    shared: np.random.Generator,
    own: np.random.Generator,
    artery: bool,
) -> None:
    length = anatomy.disc_distance
    to_fovea = np.array([-anatomy.disc_x, -anatomy.disc_y]) / length
    away = np.array([to_fovea[1], -to_fovea[0]]) * (-1.0 if lower else 1.0)
    centre = np.array([anatomy.disc_x, anatomy.disc_y])
    radius = anatomy.disc_diameter / 2 / length

    # Heights and reaches of the half's trunks, shared by artery and vein, which
    # then differ by a few per cent with either one outside.
    height = {name: 1 + 0.16 * _clipped(shared, 1.7) for name in _COURSES}
    sweep = 0.07 * _clipped(shared, 1.6)
    apart = shared.uniform(0.03, 0.075, len(_COURSES)) * shared.choice([-1, 1], len(_COURSES))
    apart_by = dict(zip(_COURSES, apart if artery else -apart, strict=True))
    root = roots[int(lower)]

    def course(name: str) -> Floats:
        points = np.array(_COURSES[name])
        scale = height[name] * (1 + apart_by[name])
        reach = np.hypot(points[:, 0], points[:, 1])
        # A height factor that only sets in away from the disc keeps the sheaf of
        # trunks on the disc narrow.
        onset = np.clip((reach - 0.08) / 0.45, 0, 1)
        if name in ("temporal", "outer", "macular", "horizontal"):
            points[:, 1] *= 1 + (scale - 1) * onset
        else:
            points[:, 0] += (scale - 1) * 1.4 * points[:, 1] * onset
        points[:, 0] += sweep * np.clip(points[:, 1], 0, 0.9) * onset
        grow = np.minimum(0.004 + 0.015 * reach, 0.035)
        return np.asarray(points + own.normal(0.0, 1.0, points.shape) * grow[:, None])

    arcade_uv = course("temporal")
    # The first pieces follow the root.
    arcade_uv[0] = root
    arcade_uv[1, 0] = 0.75 * root[0] + own.normal(-0.002, 0.015)
    halfway = np.array([[root[0] + own.normal(0.0, 0.012), 0.5 * (root[1] + arcade_uv[1, 1])]])
    arcade_uv = np.vstack([arcade_uv[:1], halfway, arcade_uv[1:]])
    arcade_uv[3:5, 0] += own.normal(0.0, 0.020)
    arcade_uv = _twisted(sampled(arcade_uv, STEP / length), radius, own, artery)

    here = len(trunks)

    def to_canonical(uv: Floats) -> Floats:
        return centre + length * (uv[:, :1] * to_fovea + uv[:, 1:] * away)

    trunks.append(Trunk("temporal", lower, to_canonical(arcade_uv), -1, -1))
    reach = np.hypot(arcade_uv[:, 0], arcade_uv[:, 1]) / radius

    last = 0.0
    for name in (*_ON_OUTER_SIDE, "macular"):
        low, high, chance = _LEAVES[name]
        present = own.random() < chance
        leaves_at = own.uniform(low, high)
        turn = own.uniform(0.38, 0.80)
        uv = course(name)
        if not present:
            continue
        if name in _ON_OUTER_SIDE:
            # The order of leaving is the order in which they fan out; swapped
            # they would cross.
            leaves_at = max(leaves_at, last + 0.16)
            last = leaves_at
        point = int(np.argmax(reach > leaves_at))
        start = arcade_uv[point]
        direction = arcade_uv[point + 1] - arcade_uv[max(point - 1, 0)]
        direction = direction / np.hypot(*direction)
        angle = turn if name in _ON_OUTER_SIDE else -turn
        cos, sin = math.cos(angle), math.sin(angle)
        leaving = np.array(
            [cos * direction[0] - sin * direction[1], sin * direction[0] + cos * direction[1]]
        )
        distance = float(np.hypot(*start))
        beyond = uv[np.hypot(uv[:, 0], uv[:, 1]) > distance * 1.5 + 0.10]
        line = sampled(np.vstack([start, beyond]), STEP / length, leaving)
        trunks.append(Trunk(name, lower, to_canonical(line), here, point))


def _emerge(own: np.random.Generator, artery: bool) -> list[Floats]:
    """Draw where the superior and the inferior trunk come out of the disc, in (u, v).

    A little nasal of the centre, arteries more so. In some eyes both fork from
    one visible stem, in most each climbs out of the cup by itself.
    """
    nasal = own.normal(-0.046 if artery else -0.006, 0.012)
    rise = own.normal(0.0, 0.014)
    if own.random() < 0.60:
        return [np.array([nasal, rise]), np.array([nasal, -rise])]
    return [
        np.array([nasal + own.normal(0.0, 0.010), own.uniform(-0.012, 0.032)]) for _ in range(2)
    ]


def _lay_capillaries(trunks: list[Trunk], anatomy: Anatomy, own: np.random.Generator) -> None:
    """Lay the fine vessels of the disc that cross its margin between the trunks.

    About ten are counted on a normal disc (Kestenbaum; value from memory), half of
    them in either tree.
    """
    centre = np.array([anatomy.disc_x, anatomy.disc_y])
    count = int(own.integers(4, 7))
    # Most leave temporally, where no trunk does.
    angles = np.concatenate(
        [
            np.linspace(-1.25, 1.25, count - 2) + own.normal(0.0, 0.16, count - 2),
            np.pi + own.uniform(-0.7, 0.7, 2),
        ]
    )
    hosts = [k for k, t in enumerate(trunks) if t.name == "temporal"]
    for angle in angles:
        edge = float(anatomy.disc_radius(angle))
        start_level = own.uniform(0.18, 0.66)
        swing = own.normal(0.0, 0.30)
        lean = own.normal(0.0, 0.10)
        end_level = 1.12 + own.gamma(1.6, 0.32)
        levels = np.array([start_level, 0.55 * start_level + 0.45, 1.0, end_level])
        turns = angle + swing * np.array([1.0, 0.5, 0.0, 0.0]) + lean * np.array([0, 0.3, 0, 1.0])
        points = centre + (edge * levels)[:, None] * np.stack([np.cos(turns), np.sin(turns)], 1)
        host, host_point = -1, -1
        if own.random() < 0.55:
            # Springs from the nearest trunk on the disc.
            gaps = [np.hypot(*(trunks[h].points[:18] - points[0]).T) for h in hosts]
            best = int(np.argmin([g.min() for g in gaps]))
            if gaps[best].min() < 0.55 * edge:
                host, host_point = hosts[best], max(int(np.argmin(gaps[best])), 1)
                points[0] = trunks[host].points[host_point]
        line = sampled(points, STEP * 0.8)
        trunks.append(Trunk("capillary", bool(math.sin(angle) > 0), line, host, host_point))


def _twisted(uv: Floats, radius: float, own: np.random.Generator, artery: bool) -> Floats:
    """Let a trunk wind from side to side on and near the disc, as arteries do over veins."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(uv, axis=0).T))])
    wave = own.uniform(0.9, 1.9) * radius
    amplitude = radius * abs(own.normal(0.0, 0.085 if artery else 0.05))
    phase = own.uniform(0, 2 * np.pi)
    envelope = np.clip(along / (0.5 * radius), 0, 1) * np.exp(-((along / (1.9 * radius)) ** 2))
    tangent = np.gradient(uv, axis=0)
    tangent /= np.maximum(np.hypot(tangent[:, 0], tangent[:, 1]), 1e-9)[:, None]
    sideways = amplitude * envelope * np.sin(2 * np.pi * along / wave + phase)
    return np.asarray(uv + sideways[:, None] * np.stack([-tangent[:, 1], tangent[:, 0]], axis=1))


def _cilioretinal(anatomy: Anatomy, own: np.random.Generator) -> Trunk:
    """Lay the artery that hooks round the disc's edge and feeds part of the macula."""
    angle = anatomy.cilioretinal_angle
    edge = float(anatomy.disc_radius(angle))
    centre = np.array([anatomy.disc_x, anatomy.disc_y])
    out = np.array([math.cos(angle), math.sin(angle)])
    across = np.array([-out[1], out[0]]) * (1 if own.random() < 0.5 else -1)
    start = centre + (edge * own.uniform(0.80, 0.95)) * out
    hook = start + out * edge * 0.16 + across * edge * 0.10
    # It ends short of the fovea, above or below it; a nasal one runs nasally.
    if math.cos(angle) > 0:
        end = np.array([-own.uniform(2.6, 4.5), own.choice([-1, 1]) * own.uniform(1.8, 3.2)])
    else:
        end = centre + out * own.uniform(6, 11)
    middle = 0.5 * (hook + end) + across * own.normal(0.0, 0.5)
    line = sampled(np.stack([start, hook, middle, end]), STEP)
    return Trunk("cilioretinal", bool(end[1] > 0), line, -1, -1)


def _clipped(rng: np.random.Generator, limit: float) -> float:
    return float(np.clip(rng.normal(), -limit, limit))


assert set(_COURSES) <= set(TRUNKS)
