"""Blood columns on a picture: what they absorb, what their walls send back.

A vessel absorbs by the blood it holds (deoxygenated blood also darkens red:
Prahl's haemoglobin tables), so wide vessels are darker than narrow ones and
veins darker than arteries in green and in red. The light streak of an artery
comes from its blood column and is about a third as wide.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numba import njit

from server.rendering.anatomy import Anatomy
from server.rendering.eye import Eye, Mask
from server.rendering.frame import Frame
from server.rendering.streams import stream
from server.rendering.vessels.model import Floats, Pixels, VesselMaps
from server.rendering.vessels.raster import MASKS, empty_mask, strips, trace


@dataclass(frozen=True)
class VesselLook:
    """How the blood and the vessel walls of one eye look."""

    artery: tuple[float, float, float]
    vein: tuple[float, float, float]
    streak: float
    vein_streak: float
    streak_width: float
    sclerosis: float
    sheen: float


def draw_look(eye: Eye, anatomy: Anatomy) -> VesselLook:
    """Draw the look of an eye's vessels."""
    rng = stream(eye.person_seed, "vessel look")
    strength = float(np.exp(rng.normal(0.02, 0.13)))
    redness = float(rng.normal(0.0, 0.05))
    streak = float(np.clip(rng.normal(1.0, 0.25), 0.45, 1.6))
    vein_streak = float(np.clip(rng.normal(0.7, 0.35), 0.0, 1.5))
    width = float(np.clip(rng.normal(0.30, 0.03), 0.24, 0.37))
    s = anatomy.arteriosclerosis
    return VesselLook(
        artery=(0.150 * strength, 0.82 * strength, (0.67 + redness) * strength),
        vein=(0.390 * strength, 0.80 * strength, (0.67 + redness) * strength),
        streak=streak * (1 + 0.45 * s),
        vein_streak=vein_streak,
        streak_width=width * (1 + 0.30 * s),
        sclerosis=s,
        sheen=anatomy.lustre * float(rng.uniform(0.5, 1.2)),
    )


@njit(cache=True, fastmath=True)
def _covered(offset: float, radius: float) -> float:
    """Share of a pixel that a straight blood column covers (both in pixels).

    The pixel is taken half as wide again: a box of its own width leaves slanting
    lines thinner than a pixel barred.
    """
    d = abs(offset)
    return min(max(min(d + 0.75, radius) - max(d - 0.75, -radius), 0.0) / 1.5, 1.0)


@njit(cache=True, fastmath=True)
def _column(offset: float, radius: float, degree: float) -> float:
    """Optical depth of a blood column: round in section, more blood in a wide one."""
    u = offset / (radius + 0.35)
    round_part = math.sqrt(max(1.0 - u * u, 0.0))
    return (0.50 + 0.50 * round_part) * (0.63 + 0.43 * (1.0 - math.exp(-radius / degree / 0.085)))


@njit(cache=True, fastmath=True)
def _shade(
    linear: Pixels,
    a_map: Pixels,
    v_map: Pixels,
    columns: Pixels,
    rows: Pixels,
    scale: float,
    waves: Floats,
    artery: Floats,
    vein: Floats,
    streak: float,
    vein_streak: float,
    streak_width: float,
    sclerosis: float,
    sheen: float,
    disc_x: float,
    disc_y: float,
    disc_radius: float,
) -> None:
    height, width = a_map.shape[:2]
    # A wave over the plane is the product of one along the columns and one along the rows.
    across = np.empty((width, 6))
    for j in range(width):
        for n in range(3):
            across[j, n] = math.sin(waves[n, 0] * columns[j])
            across[j, 3 + n] = math.cos(waves[n, 0] * columns[j])
    for i in range(height):
        up0, up1 = waves[0, 1] * rows[i] + waves[0, 2], waves[1, 1] * rows[i] + waves[1, 2]
        up2 = waves[2, 1] * rows[i] + waves[2, 2]
        s0, s1, s2 = math.sin(up0), math.sin(up1), math.sin(up2)
        c0, c1, c2 = math.cos(up0), math.cos(up1), math.cos(up2)
        for j in range(width):
            ra, rv = a_map[i, j, 1], v_map[i, j, 1]
            if ra == 0.0 and rv == 0.0:
                continue
            a_off, a_seen = a_map[i, j, 0], abs(a_map[i, j, 2])
            v_off, v_seen = v_map[i, j, 0], abs(v_map[i, j, 2])
            ai = ra - abs(a_off) if ra > 0.0 else -1000.0
            vi = rv - abs(v_off) if rv > 0.0 else -1000.0
            top_vein = v_map[i, j, 2] < 0.0
            near_artery = ai > -0.30 * scale
            if ai < -0.8 and vi < -0.8 and not (near_artery and sheen > 0.02):
                continue
            x, y = columns[j], rows[i]
            # Slow unevenness of filling and of the light, fixed to the retina.
            n0 = across[j, 0] * c0 + across[j, 3] * s0
            n1 = across[j, 1] * c1 + across[j, 4] * s1
            n2 = across[j, 2] * c2 + across[j, 5] * s2
            slow = n0 + n1
            fast = n2 * n1
            oa = 0.0
            if ai > -0.8:
                oa = _covered(a_off, ra) * _column(a_off, ra, scale)
                oa *= a_seen
            ov = 0.0
            if vi > -0.8:
                r_eff = rv
                fade = 1.0
                if sclerosis > 0.05 and not top_vein and near_artery and ra > 0.055 * scale:
                    # A stiff artery nips the vein beneath it on both sides.
                    gap = max(-ai, 0.0) / scale
                    nip = sclerosis * math.exp(-((gap / 0.13) ** 2)) * a_seen
                    r_eff = rv * (1.0 - 0.45 * nip)
                    fade = 1.0 - 0.70 * nip
                ov = _covered(v_off, r_eff) * _column(v_off, rv, scale)
                ov *= v_seen * fade
            oa *= 1.0 + 0.05 * slow + 0.05 * fast
            ov *= 1.0 + 0.05 * slow + 0.05 * fast
            if oa > 0.0 and ov > 0.0:
                # Blood behind blood adds little: the front column already took the light.
                if top_vein:
                    oa *= 1.0 - 0.62 * min(ov, 1.0)
                else:
                    ov *= 1.0 - 0.55 * min(oa, 1.0)
            if oa > 0.0 or ov > 0.0:
                big = min(max((rv / scale - 0.06) / 0.16, 0.0), 1.0)
                vr = vein[0] * (0.62 + 0.38 * big)
                ar = artery[0]
                dense = 1.0
                blue = 1.0
                level = math.sqrt((x - disc_x) ** 2 + (y - disc_y) ** 2) / disc_radius
                if level < 1.12:
                    # The disc returns more red than a picture can hold. Blood on it is
                    # seen against white tissue close behind, not against deep glow.
                    on = min((1.12 - level) / 0.24, 1.0)
                    full = min(max((oa + ov - 0.22) / 0.50, 0.0), 1.0) * on
                    red = linear[i, j, 0]
                    top = max(0.92, 1.7 * linear[i, j, 1])
                    linear[i, j, 0] = red + full * (min(red, top) - red)
                    ar *= 1.0 + 0.35 * on
                    dense = 1.0 + 1.0 * on
                    # White tissue sends back blue that the retina never does; left
                    # in the vessels it would turn them magenta.
                    blue = 1.0 + 1.6 * on
                    vr *= 1.0 + 0.25 * on
                linear[i, j, 0] *= math.exp(-(ar * oa + vr * ov))
                linear[i, j, 1] *= math.exp(-dense * (artery[1] * oa + vein[1] * ov))
                linear[i, j, 2] *= math.exp(-blue * (artery[2] * oa + vein[2] * ov))
            # Light streaks: along the axis, a shade towards the upper side.
            if ai > 0.0 and oa > 0.02 and not (top_vein and ov > 0.1):
                wide = min(max((ra / scale - 0.055) / 0.09, 0.0), 1.0)
                if wide > 0.0:
                    s = streak_width
                    u = (a_off / ra + 0.06) / s
                    glint = math.sin(3.1 * a_map[i, j, 3] + 2.0 * n0) * n2
                    f = wide * streak * math.exp(-u * u) * (0.72 + 0.20 * glint + 0.10 * slow)
                    f *= a_seen * min(oa * 1.6, 1.0)
                    f = min(max(f, 0.0), 0.95)
                    linear[i, j, 0] *= math.exp(0.14 * f)
                    linear[i, j, 1] *= math.exp((0.50 + 0.06 * sclerosis) * f)
                    linear[i, j, 2] *= math.exp(0.38 * f)
                    linear[i, j, 0] += 0.012 * f
                    linear[i, j, 1] += 0.006 * f * (1.0 + sclerosis)
                    linear[i, j, 2] += 0.003 * f
            elif vi > 0.0 and ov > 0.02:
                wide = min(max((rv / scale - 0.10) / 0.10, 0.0), 1.0)
                if wide > 0.0:
                    u = (v_off / rv + 0.06) / 0.24
                    glint = math.sin(2.3 * v_map[i, j, 3] + 2.0 * n1) * n0
                    f = wide * vein_streak * math.exp(-u * u) * (0.45 + 0.45 * glint + 0.2 * slow)
                    f = max(f, 0.0) * v_seen
                    linear[i, j, 0] *= math.exp(0.07 * f)
                    linear[i, j, 1] *= math.exp(0.24 * f)
                    linear[i, j, 2] *= math.exp(0.18 * f)
            if sheen > 0.02 and near_artery and ai < 0.0 and ra > 0.07 * scale:
                # The inner limiting membrane arches over a raised vessel and glints beside it.
                gap = (-ai / scale - 0.075) / 0.045
                off = math.sqrt((x - disc_x) ** 2 + (y - disc_y) ** 2)
                patch = max(0.35 + 0.5 * slow + 0.4 * fast, 0.0)
                f = sheen * math.exp(-gap * gap) * math.exp(-((off / 13.0) ** 2)) * patch * a_seen
                if vi > 0.0:
                    f *= 0.4
                linear[i, j, 0] += 0.030 * f
                linear[i, j, 1] += 0.030 * f
                linear[i, j, 2] += 0.024 * f


def shade_vessels(
    linear: Pixels, maps: VesselMaps, eye: Eye, anatomy: Anatomy, frame: Frame
) -> dict[str, Mask]:
    """Lay the blood columns over a picture, in place, and return their masks.

    Both come from the same maps, which cost most: see ``raster.visible_masks`` for the
    masks alone.

    Parameters
    ----------
    linear : float32 (size, size, 3), linear-light RGB of fundus and disc.
    maps : from ``lay_out`` on the same frame.
    eye, anatomy, frame : of the picture.
    """
    look = draw_look(eye, anatomy)
    rng = stream(eye.seed, "vessel filling")
    number = 2 * np.pi / (np.array([3.4, 2.3, 1.1]) * rng.uniform(0.8, 1.25, 3))
    angle = rng.uniform(0, 2 * np.pi, 3)
    waves = np.stack(
        [number * np.cos(angle), number * np.sin(angle), rng.uniform(0, 2 * np.pi, 3)], axis=1
    )
    artery, vein = np.array(look.artery), np.array(look.vein)
    masks = {name: empty_mask(frame) for name in MASKS}
    # Only the wall of an artery glints, and only an artery nips what it crosses.
    arteries, veins = (
        strips(tree, opacity, frame, skirt)
        for (tree, opacity), skirt in zip(maps.trees, (True, False), strict=True)
    )
    for (rows, artery_map), (_, vein_map) in zip(arteries, veins, strict=True):
        for name, one in zip(MASKS, (artery_map, vein_map), strict=True):
            trace(one.packed, masks[name][rows])
        _shade(
            linear[rows], artery_map.packed, vein_map.packed,
            frame.columns, frame.rows[rows], frame.px_per_degree, waves, artery, vein,
            look.streak * maps.changes.reflex, look.vein_streak, look.streak_width,
            look.sclerosis, look.sheen, anatomy.disc_x, anatomy.disc_y, anatomy.disc_diameter / 2,
        )  # fmt: skip
    return masks
