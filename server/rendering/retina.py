"""The colour of the fundus behind the vessels: white sclera seen through blood and pigment.

Light that comes back has crossed the retina, the pigment epithelium, the
choroid's blood and melanin twice and been reflected by the sclera. Each
colour channel is the sclera's reflectance times ``exp(-optical density)``;
pigmented and blonde, macula and mid-periphery differ only in how much
melanin, blood and macular pigment lie in the way (Delori and Pflibsen 1989).

The smooth part is worked out on a coarse grid of about nine pixels a degree
and enlarged; only the fine grain is made at full size.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numba import njit

from server.rendering.anatomy import Anatomy
from server.rendering.choroid import ribbons
from server.rendering.eye import Eye
from server.rendering.frame import Floats, Frame
from server.rendering.noise import Noise, octaves
from server.rendering.streams import stream

_MELANIN = (0.72, 1.00, 1.32)
_BLOOD = (0.085, 1.00, 0.93)
_SCLERA = (1.32, 0.60, 0.40)
_DOUBLE_PASS = 1.24
_GRAIN = ((0.50, 0.044), (0.25, 0.038), (0.125, 0.030))
_COARSE_PX_PER_DEGREE = 8.5


@dataclass
class RetinaLook:
    """The retina of one scene, which findings may change before it is painted.

    Attributes
    ----------
    melanin : factor on the pigment of epithelium and choroid, 1 is the eye's own.
    tessellation : how plainly the choroid shows, 0 to 1.
    lustre : surface reflexes, 0 to about 1.2.
    foveal_reflex : factor on the reflex of the foveal pit, 1 is the eye's own.
    macular_darkness : factor on the macula's extra pigment.
    macular_pigment : density of the yellow pigment, 1 is average.
    grain : contrast of the fine granularity.
    """

    melanin: float
    tessellation: float
    lustre: float
    foveal_reflex: float
    macular_darkness: float
    macular_pigment: float
    grain: float

    @classmethod
    def of(cls, eye: Eye, anatomy: Anatomy) -> RetinaLook:
        """Return the healthy retina of an eye."""
        rng = stream(eye.person_seed, "retina look")
        return cls(
            melanin=1.0,
            tessellation=anatomy.tessellation,
            lustre=anatomy.lustre,
            foveal_reflex=float(rng.uniform(0.5, 1.3)),
            macular_darkness=float(rng.uniform(0.80, 1.70)),
            macular_pigment=anatomy.macular_pigment,
            grain=float(rng.uniform(0.8, 1.25)),
        )


@dataclass(frozen=True)
class Smooth:
    """The layers a background is mixed from, on the coarse grid."""

    frame: Frame
    big: Floats
    mid: Floats
    vessels: Floats
    away2: Floats
    """Squared distance from the fovea, degrees squared."""
    disc_away2: Floats


@lru_cache(maxsize=2)
def smooth_layers(eye: Eye, anatomy: Anatomy, frame: Frame) -> Smooth:
    """Return the slow noise and the choroid on a grid coarse enough to be cheap.

    Kept for the last few eyes: a twin or another severity needs the same. The
    arrays are shared, so they are not to be written to.
    """
    coarse = frame.no_finer_than(_COARSE_PX_PER_DEGREE)
    xs, ys = coarse.x, coarse.y
    layers = Smooth(
        frame=coarse,
        big=octaves(eye.seed, "fundus", (16.0, 8.0, 3.5), (0.55, 0.33, 0.12), coarse),
        mid=octaves(eye.seed, "fundus mid", (2.8, 1.3, 0.55), (0.26, 0.32, 0.50), coarse),
        vessels=ribbons(eye, anatomy, coarse),
        away2=xs * xs + ys * ys,
        disc_away2=(xs - np.float32(anatomy.disc_x)) ** 2 + (ys - np.float32(anatomy.disc_y)) ** 2,
    )
    for array in (layers.big, layers.mid, layers.vessels, layers.away2, layers.disc_away2):
        array.setflags(write=False)
    return layers


def background(eye: Eye, look: RetinaLook, layers: Smooth) -> Floats:
    """Return the linear RGB of the retina on the coarse grid, (rows, columns, 3)."""
    pig = eye.pigmentation
    rng = stream(eye.person_seed, "fundus colour")
    own = rng.normal(size=4)
    core_deg, wide_deg = rng.uniform(1.30, 2.0), rng.uniform(2.8, 4.8)
    melanin = (0.30 + pig + 0.2 * pig * pig) * look.melanin
    # A dense epithelium hides the choroid; between dark islands of a pigmented
    # choroid the contrast is all the stronger where it does show.
    seen = float(np.clip(1.20 - 0.75 * pig, 0.25, 1.0)) * look.tessellation**1.35
    patchy = np.clip(0.85 + 0.35 * Noise(eye.seed, "tessellation", 9.0).over(layers.frame), 0, 1.2)
    # The choroid is thickest and best hidden behind the macula.
    patchy *= 1 - np.float32(0.72) * np.exp(-layers.away2 / np.float32(42.0))
    show = (np.float32(seen) * patchy).astype(np.float32)
    ratio = 0.42 + 0.60 * min(pig / 0.45, 1.0) ** 0.8
    blood = ratio * (1 + 0.10 * own[0])
    # One epithelium is even, another granular and mottled.
    # (The light goes as the exponent of melanin: the same share of more would be blotches.)
    mottle = math.exp(min(0.34 * own[3], 0.40)) * min(1.0, 0.75 / melanin)
    macula = look.macular_darkness * (1 + 0.25 * pig)
    # The dark of the fovea is no compass circle.
    warped = layers.away2 * np.exp(np.float32(0.13) * layers.mid + np.float32(0.10) * layers.big)
    core = np.exp(-((warped / np.float32(core_deg**2)) ** 0.75))
    wide = np.exp(-((warped / np.float32(wide_deg**2)) ** 0.8))
    yellow = look.macular_pigment * np.exp(-layers.away2 / np.float32(2.3**2))
    sclera = [s * (1.08 - 0.40 * pig) for s in _SCLERA]
    out = np.empty((*layers.vessels.shape, 3), np.float32)
    _mix(
        out, layers.big, layers.mid, layers.vessels, show, wide, core,
        yellow.astype(np.float32), layers.disc_away2, melanin, blood, macula,
        float(np.clip(0.62 + 0.34 * pig + 0.12 * own[2], 0.45, 1.08)), pig,
        np.array(sclera), 1 + 0.10 * own[1], mottle,
    )  # fmt: skip
    return out


@njit(cache=True, fastmath=True)
def _mix(
    out: Floats,
    big: Floats,
    mid: Floats,
    vessels: Floats,
    show: Floats,
    wide: Floats,
    core: Floats,
    yellow: Floats,
    disc_away2: Floats,
    melanin: float,
    blood: float,
    macula: float,
    reddish: float,
    pig: float,
    sclera: Floats,
    bare: float,
    mottle: float,
) -> None:
    """Mix melanin, blood and macular pigment into linear light (see ``background``)."""
    for i in range(out.shape[0]):
        for j in range(out.shape[1]):
            slow, med, ves, vis = big[i, j], mottle * mid[i, j], vessels[i, j], show[i, j]
            epithelium = (
                0.56 * (1 + 0.13 * slow + 0.115 * med) * (1 + 0.10 * disc_away2[i, j] / 625.0)
            )
            # Stroma pigment fills the islands; over a vessel there is little of it.
            # A blonde choroid has little there: its vessels are red on pale instead.
            island = 2.8 * vis * (0.56 - ves) * min(1.0, pig / 0.35)
            stroma = 0.44 * bare * (1 + 0.22 * slow) * (1 + max(island, -0.9))
            m = melanin * (epithelium + max(stroma, 0.02))
            # The macula's taller, denser epithelium darkens red nearly as much as
            # green (Delori 1989: 0.59 and 0.59): brown, redder in a light eye.
            dark = macula * (0.22 * wide[i, j] + 0.32 * core[i, j])
            vein = 0.95 * vis * (ves - 0.4) * (1 - pig) ** 1.4
            # Only a light eye's islands lack blood to the eye: brown ones would turn olive.
            if vein < 0:
                vein *= 1 - 0.92 * min(1.0, pig / 0.28)
            b = (
                max(blood * (1 + 0.09 * slow + 0.05 * med) + vein, 0.05)
                + 0.05 * macula * core[i, j]
            )
            y = yellow[i, j]
            out[i, j, 0] = sclera[0] * np.exp(
                -1.24 * (0.72 * m + 0.085 * b + 0.24 * vein + reddish * dark)
            )
            out[i, j, 1] = sclera[1] * np.exp(-1.24 * (m + b + 1.12 * dark + 0.05 * y))
            out[i, j, 2] = sclera[2] * np.exp(
                -1.24 * (1.32 * m + 0.93 * b + 1.55 * dark + 0.58 * y)
            )


def bare_background(eye: Eye, layers: Smooth) -> Floats:
    """Return the linear RGB where the pigment epithelium is gone, on the coarse grid.

    Sclera and the choroid's vessels are seen directly: pale, with red or,
    where the small vessels are lost too, white ribbons.
    """
    pig = eye.pigmentation
    melanin = (0.30 + pig + 0.2 * pig * pig) * (
        0.08 + 0.20 * pig + 0.32 * (1 - layers.vessels) * (0.4 + 0.6 * pig)
        + 0.03 * layers.big + 0.02 * layers.mid
    )  # fmt: skip
    blood = 0.20 + 1.05 * layers.vessels + 0.05 * layers.big
    out = np.empty((*layers.vessels.shape, 3), np.float32)
    scale = 1.08 - 0.40 * pig
    for c in range(3):
        density = _MELANIN[c] * np.maximum(melanin, 0.02) + _BLOOD[c] * blood
        out[..., c] = _SCLERA[c] * scale * np.exp(-_DOUBLE_PASS * density)
    return out


def add_grain(linear: Floats, eye: Eye, look: RetinaLook, frame: Frame) -> None:
    """Multiply in the fine granularity of the epithelium, at full size, in place."""
    grain = np.zeros(linear.shape[:2], np.float32)
    for cell, gain in _GRAIN:
        Noise(eye.seed, "grain", cell).add_to(grain, frame, gain * look.grain)
    _apply_grain(linear, grain)


@njit(cache=True, fastmath=True)
def _apply_grain(linear: Floats, grain: Floats) -> None:
    for i in range(grain.shape[0]):
        for j in range(grain.shape[1]):
            g = grain[i, j]
            linear[i, j, 0] *= 1 + np.float32(0.35) * g
            linear[i, j, 1] *= 1 + g
            linear[i, j, 2] *= 1 + np.float32(0.7) * g
