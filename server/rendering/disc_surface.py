"""Painting the optic disc: tissue, cup, margin and the zones around it.

The rim is white tissue seen through the blood of its capillaries, so that a
pale rim is one with less blood rather than another paint. The disc is taken
as a relief (rim, walls, floor of the cup) lit slightly from one side: walls
facing away are darker, the steep nasal wall throws a shade on the floor.
Red exceeds 1 on purpose: cameras over-expose the disc in red.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from server.rendering.disc import ANGLES, NASAL, DiscLook, Profile, look_up, towards
from server.rendering.eye import Eye
from server.rendering.frame import Crop, Floats, Frame
from server.rendering.lesions import MELANIN, absorb, smoothstep
from server.rendering.noise import LineNoise, Noise
from server.rendering.streams import stream

_TISSUE = (2.08, 0.555, 0.312)
_BLOODLESS = (1.55, 0.62, 0.48)
_WAXY = (1.95, 0.62, 0.29)
_FLOOR = (2.45, 0.69, 0.43)
_BLOOD = (0.11, 1.00, 0.93)


def rim_light(look: DiscLook, eye: Eye) -> NDArray[np.float64]:
    """Return the mean linear RGB of the rim at each of the 360 angles, shape (360, 3)."""
    lit = _brightness(look)
    blood = _rim_blood(look)
    base = _rim_base(look)
    scale = _exposed(eye)
    return np.asarray(scale * base * lit[:, None] * np.exp(-blood[:, None] * np.array(_BLOOD)))


def cup_light(look: DiscLook, eye: Eye) -> NDArray[np.float64]:
    """Return the mean linear RGB of the cup's floor, shape (3,)."""
    light = _lamina(look) * np.exp(-_veiled(look) * np.array(_BLOOD))
    return np.asarray(_exposed(eye) * (1 - 0.22 * min(look.cup_depth, 1.0)) * light)


def _lamina(look: DiscLook) -> NDArray[np.float64]:
    pale = float(look.pallor.mean())
    return np.asarray(np.array(_FLOOR) + pale * (np.array(_BLOODLESS) - np.array(_FLOOR)))


def _veiled(look: DiscLook) -> float:
    """Blood over the floor: a shallow cup is still veiled by tissue and capillaries."""
    return 0.34 * (1 - min(look.cup_depth, 1.0)) * (1 - 0.8 * float(look.pallor.mean()))


def _exposed(eye: Eye) -> float:
    """Return the disc's light relative to an average eye's.

    A light fundus sends more light through the nerve head from around it: the
    disc stays brighter than its surroundings though the camera exposes less. For
    a dark fundus the exposure goes up, and the disc must not burn out with it.
    """
    pig = eye.pigmentation
    dark = max(pig - 0.45, 0.0)
    return math.exp(1.10 * max(0.45 - pig, 0.0)) * (1 - 0.10 * pig) * (1 - 0.45 * dark)


def _rim_blood(look: DiscLook) -> Profile:
    blood: Profile = look.blood * (1 - 0.92 * look.pallor) * (1 + 1.3 * look.hyperaemia)
    return blood


def _brightness(look: DiscLook) -> Profile:
    """How much light the rim's tissue returns by angle: nasal fibres are thicker and darker."""
    lit: Profile = 0.82 - 0.26 * towards(NASAL, 1.2)
    gain: Profile = look.pallor * (0.06 + 0.10 * towards(NASAL)) - 0.10 * look.hyperaemia
    return lit + gain


def _rim_base(look: DiscLook) -> NDArray[np.float64]:
    white = np.array(_BLOODLESS) + look.waxy * (np.array(_WAXY) - np.array(_BLOODLESS))
    base: NDArray[np.float64] = np.array(_TISSUE) + look.pallor[:, None] * (white - _TISSUE)
    return base


def paint_disc(
    linear: Floats,
    look: DiscLook,
    eye: Eye,
    frame: Frame,
    bare: Callable[[Crop], Floats],
) -> None:
    """Paint the disc and its surroundings into linear light, in place.

    Parameters
    ----------
    bare : gives the linear light without pigment epithelium over a crop;
        called only when a zone or crescent shows it.
    """
    zone = look.alpha + look.beta + look.crescent
    crop = look.crop(frame, 1.0, 3.0 + float(zone.max()))
    # Strip by strip: dozens of arrays of the whole crop would be the most memory a
    # large picture takes.
    for strip in crop.strips(128):
        _paint_strip(linear[strip.slices], look, eye, frame, strip, bare)


def _paint_strip(
    light: Floats,
    look: DiscLook,
    eye: Eye,
    frame: Frame,
    crop: Crop,
    bare: Callable[[Crop], Floats],
) -> None:
    xs, ys = frame.degrees(crop)
    dx, dy = xs - np.float32(look.x), ys - np.float32(look.y)
    theta = np.arctan2(dy, dx)
    r = np.hypot(dx, dy)
    edge = look_up(look.outline, theta)
    width = look_up(look.margin_width, theta)
    beyond = r - edge
    # A margin is never a compass line: soft ones wander more than crisp ones.
    ragged = Noise(eye.seed, "disc margin", 0.7).over(frame, crop)
    ragged += 0.6 * Noise(eye.seed, "disc margin fine", 0.28).over(frame, crop)
    beyond += ragged * (0.018 + 0.10 * width)
    _surround(light, look, eye, frame, crop, theta, beyond, bare)
    inside = smoothstep(0.0, 1.0, 0.5 - 0.5 * beyond / width).astype(np.float32)
    tissue = _tissue(look, eye, frame, crop, theta, r, edge)
    light += inside[..., None] * (tissue - light)


def _tissue(
    look: DiscLook, eye: Eye, frame: Frame, crop: Crop, theta: Floats, r: Floats, edge: Floats
) -> Floats:
    """Return the linear light of rim and cup over the crop."""
    rng = stream(eye.seed, "disc tissue")
    light_from, depth_gain = rng.uniform(0, 2 * math.pi), rng.uniform(0.7, 1.3)
    rho = r / edge
    # Streaks of the fibres run radially: noise in angle and a shrunk radius.
    turn = theta * np.float32(2.2)
    streak = Noise(eye.seed, "disc streaks", 0.20).at(turn, 0.22 * r)
    streak += 0.7 * Noise(eye.seed, "disc streaks fine", 0.09).at(turn, 0.30 * r)
    fine = Noise(eye.seed, "disc tissue", 0.55).over(frame, crop)
    capillary = Noise(eye.seed, "disc capillaries", 0.16).over(frame, crop)

    blood = look_up(_rim_blood(look), theta)
    lively = look.capillaries * (1 - 0.8 * look_up(look.pallor, theta))
    blood = np.maximum(
        blood * (1 + lively * (0.09 * streak + 0.08 * fine + 0.09 * capillary)), 0.01
    )
    base = np.stack([look_up(_rim_base(look)[:, c], theta) for c in range(3)], axis=-1)
    lit = look_up(_brightness(look), theta)
    # The rim's crest catches the light; it falls off to the margin.
    lit *= 1 + 0.05 * np.cos(np.clip((rho - 0.72) / 0.4, -1, 1) * np.float32(math.pi))
    lit *= 1 + 0.030 * streak + 0.03 * fine
    rim = base * lit[..., None]
    for c in range(3):
        rim[..., c] *= np.exp(-np.float32(_BLOOD[c]) * blood)

    cup_edge = look_up(look.cup, theta)
    soft = look_up(look.cup_softness, theta)
    # The edge of the cup wanders too.
    off = (rho - cup_edge + 0.022 * fine) / np.maximum(soft, 0.02)
    hollow = smoothstep(0.0, 1.0, 0.5 - 0.5 * off).astype(np.float32)
    depth = np.float32(look.cup_depth * depth_gain)
    floor = np.empty_like(rim)
    lamina, veiled = _lamina(look), _veiled(look)
    # Light returns less from far down.
    tone = (1 - 0.22 * min(float(look.cup_depth), 1.0)) * (1 + 0.035 * fine + 0.02 * streak)
    if look.pores > 0.01:
        dots = Noise(eye.seed, "lamina pores", 0.11).over(frame, crop)
        tone -= 0.16 * np.float32(look.pores) * smoothstep(0.6, 1.6, dots) * hollow
        tone += 0.03 * np.float32(look.pores) * smoothstep(0.4, 1.3, -dots) * hollow
    for c in range(3):
        floor[..., c] = np.float32(lamina[c] * math.exp(-_BLOOD[c] * veiled)) * tone
    out = rim + hollow[..., None] * (floor - rim)

    # Relief: walls of the cup by their slope, lit a little from one side.
    wall = np.exp(-(off * off) * np.float32(1.3))
    facing = np.cos(theta - np.float32(light_from))
    steep = np.float32(0.06) / np.maximum(soft, 0.05)
    shade = depth * wall * np.minimum(steep, 1.0) * (0.13 + 0.27 * facing)
    # The nasal wall overhangs: its shade falls on the floor beside it.
    under = np.exp(-(((off + 1.1) / 1.0) ** 2)) * look_up(towards(NASAL, 1.5), theta)
    shade += depth * 0.30 * under * hollow
    bulge = look_up(look.height, theta)
    shade += bulge * 0.20 * facing * np.exp(-(((rho - 0.9) / 0.25) ** 2))
    scale = np.float32(_exposed(eye))
    # Shaded walls are seen through more tissue: they redden as they darken.
    for c, much in enumerate((0.85, 1.10, 1.15)):
        out[..., c] *= scale * np.clip(1 - np.float32(much) * shade, 0.2, 1.6)
    return np.asarray(out, np.float32)


def _surround(
    light: Floats,
    look: DiscLook,
    eye: Eye,
    frame: Frame,
    crop: Crop,
    theta: Floats,
    beyond: Floats,
    bare: Callable[[Crop], Floats],
) -> None:
    """Paint halo, scleral ring, bare and pigmented zones outside the margin, in place."""
    outside = np.maximum(beyond, 0)
    glow = np.float32(look.halo) * (
        0.10 * np.exp(-outside / np.float32(0.35)) + 0.10 * np.exp(-outside / np.float32(1.6))
    )
    for c, much in enumerate((0.55, 1.0, 0.9)):
        light[..., c] *= 1 + np.float32(much) * glow
    ragged = Noise(eye.seed, "disc zones", 0.8).over(frame, crop)
    ragged += 0.5 * Noise(eye.seed, "disc zones fine", 0.3).over(frame, crop)
    crescent = look_up(look.crescent, theta)
    beta = look_up(look.beta, theta)
    alpha = look_up(look.alpha, theta)
    inner = crescent + beta
    if float(look.crescent.max()) > 0.01 or float(look.beta.max()) > 0.01:
        shown = bare(crop)
        # Bare sclera in a crescent is sharp; the epithelium thins out over the beta zone.
        sharp = smoothstep(-0.06, 0.06, crescent * (1 + 0.04 * ragged) - beyond - 0.05)
        thin = smoothstep(-0.12, 0.12, inner + 0.10 * ragged * np.minimum(beta, 0.6) - beyond - 0.1)
        # Where there is no zone nothing is bare: a soft margin would let it shine through.
        sharp *= np.minimum(crescent / np.float32(0.12), 1)
        thin *= np.minimum(inner / np.float32(0.15), 1)
        for c in range(3):
            white = np.float32((2.3, 0.66, 0.38)[c])
            light[..., c] += np.float32(0.70) * thin * (shown[..., c] * 1.15 - light[..., c])
            light[..., c] += np.float32(0.72) * sharp * (white - light[..., c])
    if float(look.alpha.max()) > 0.03:
        band = smoothstep(-0.15, 0.15, inner + alpha * (1 + 0.4 * ragged) - beyond)
        band = band * smoothstep(-0.05, 0.15, beyond - inner + 0.1) * np.minimum(alpha * 3, 1)
        mottle = Noise(eye.seed, "alpha zone", 0.26).over(frame, crop)
        mottle += 0.7 * ragged
        absorb(light, band * np.clip(0.16 + 0.26 * mottle, -0.25, 0.8), MELANIN)
    if float(look.crescent_pigment.max()) > 0.02:
        where = beyond - inner - np.float32(0.10) - 0.05 * ragged
        line = np.exp(-((where / np.float32(0.085)) ** 2))
        broken = smoothstep(-0.3, 0.9, ragged + 0.2)
        absorb(light, line * broken * look_up(look.crescent_pigment, theta) * 1.3, MELANIN)
    ring = look_up(look.scleral_ring, theta)
    thin_ring = np.exp(-(((beyond - 0.05) / np.float32(0.075)) ** 2)) * ring
    for c, much in enumerate((0.40, 0.80, 0.80)):
        light[..., c] *= 1 + np.float32(much) * thin_ring


def edge_noise(seed: int, layer: str) -> Profile:
    """Return unit noise over the 360 angles, for irregular profiles of findings."""
    return LineNoise(seed, layer, 0.35, 2 * math.pi).at(ANGLES).astype(float)
