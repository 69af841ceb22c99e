"""The camera: how the light of a fundus becomes a photograph.

Lamp fall-off, stray light and haze, blur and halation, lateral colour error,
exposure and white balance, tone curve, sharpening, sensor noise, the shape of
the field. A handful of styles stand for makes and settings of cameras; every
photograph blends one with a little of another and varies it.
"""

from __future__ import annotations

import io
import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from server.errors import BadInput
from server.rendering.blurring import gaussian, reduced_gaussian
from server.rendering.development import develop, finish, highlight, illuminate, noise_tile
from server.rendering.eye import Eye, Mask, Picture
from server.rendering.field_shape import FieldShape, field_bounds, field_cover
from server.rendering.frame import Floats, Frame
from server.rendering.streams import stream

# Gains of red, green and blue, and fall-off of the lamp to the rim of the field.
_STYLES: dict[str, tuple[tuple[float, float, float], float]] = {
    "red": ((1.00, 0.84, 0.62), 0.42),
    "orange": ((0.90, 1.45, 0.92), 0.38),
    "amber": ((0.68, 1.15, 0.34), 0.42),
    "gold": ((0.86, 1.75, 0.66), 0.40),
    "beige": ((0.62, 1.75, 1.35), 0.46),
    "brown": ((0.44, 1.00, 0.55), 0.52),
    "rose": ((1.12, 1.25, 1.12), 0.36),
    "straw": ((0.68, 1.42, 0.48), 0.46),
    "slate": ((0.46, 1.10, 0.84), 0.58),
    "plum": ((0.72, 0.76, 0.76), 0.48),
}
_SHARE = (0.12, 0.20, 0.09, 0.13, 0.11, 0.11, 0.09, 0.05, 0.06, 0.04)


CAMERAS: tuple[str, ...] = tuple(_STYLES)
"""Names of the camera styles."""

_MOST_GREEN = 0.42
"""Most green light beside red that the camera makes of an average retina, linear."""
_SHARPENED_DEG = 0.075
"""Radius of the camera's unsharp mask, degrees."""
_SHARE_STORED = 0.35
"""Share of photographs that come out of a camera's or a clinic's lossy store (our judgement)."""
_TABLE_TOP = 8.0
_TABLE_SIZE = 4096


@dataclass(frozen=True)
class CameraStyle:
    """One photograph's camera: all that turns linear light into encoded pixels.

    Parameters
    ----------
    gain : factors of red, green and blue (white balance and exposure).
    fall : loss of light towards the rim of the field.
    lamp_x, lamp_y : middle of the lamp's patch, in field radii.
    blur_deg : standard deviation of the optical blur, degrees.
    halation : share of light scattered over about a degree.
    haze : 0 (clear media) to 1 (dense): stray light and loss of contrast.
    yellow : optical density in blue of an old lens.
    fringe : lateral colour error, relative.
    rim : strength of the coloured stray light at the rim, and its direction.
    sharpen : strength of the camera's unsharp mask.
    saturation, contrast : of the finished picture; 1 leaves it.
    noise : standard deviation of sensor noise in 8-bit steps.
    stored : quality of the JPEG in which the camera kept the picture, 0 for without loss.
    shape : shape of the field.
    """

    gain: tuple[float, float, float]
    fall: float
    lamp_x: float
    lamp_y: float
    blur_deg: float
    halation: float
    haze: float
    yellow: float
    fringe: float
    rim: float
    rim_angle: float
    rim_colour: tuple[float, float, float]
    sharpen: float
    saturation: float
    contrast: float
    noise: float
    stored: int
    shape: FieldShape


def _expected_light(pigmentation: float) -> tuple[float, float]:
    """Return red and green light of an average retina of that pigmentation, linear."""
    pig = pigmentation
    melanin = 0.30 + pig + 0.2 * pig * pig
    blood = 0.42 + 0.60 * min(pig / 0.45, 1.0) ** 0.8
    scale = 1.08 - 0.40 * pig
    red = 1.32 * scale * math.exp(-1.24 * (0.72 * melanin + 0.085 * blood))
    return red, 0.60 * scale * math.exp(-1.24 * (melanin + blood))


@lru_cache(maxsize=256)
def camera_name(eye: Eye) -> str:
    """Return the name of the style that an eye's camera mostly is."""
    drawn = CAMERAS[int(stream(eye.person_seed, "camera").choice(len(CAMERAS), p=_SHARE))]
    return eye.camera or drawn


@lru_cache(maxsize=256)
def camera_of(eye: Eye) -> CameraStyle:
    """Return the camera that photographs an eye.

    Raises
    ------
    BadInput
        If ``eye.camera`` is neither empty nor a known style.
    """
    rng = stream(eye.person_seed, "camera")
    name = CAMERAS[int(rng.choice(len(CAMERAS), p=_SHARE))]
    other = CAMERAS[int(rng.integers(len(CAMERAS)))]
    if eye.camera:
        if eye.camera not in _STYLES:
            raise BadInput(f"unknown camera {eye.camera!r}; known: {', '.join(CAMERAS)}")
        name = eye.camera
    share = rng.uniform(0.0, 0.25)
    gain = np.array(_STYLES[name][0]) ** (1 - share) * np.array(_STYLES[other][0]) ** share
    fall = _STYLES[name][1] * (1 - share) + _STYLES[other][1] * share
    gain = gain * np.exp(rng.normal(0, (0.06, 0.10, 0.11)))
    # The photographer (or the camera) makes up for most of what pigment takes,
    # by the eye alone: no finding may change the exposure of its twin.
    red, green = _expected_light(eye.pigmentation)
    red0, green0 = _expected_light(0.40)
    exposure = (red0 / red) ** 0.30 * (green0 / green) ** 0.32
    # More light than that burns out the disc, and no photographer would keep the picture.
    gain = gain * exposure * math.exp(min(rng.normal(-0.03, 0.28), 0.26))
    # White balance seldom makes a fundus olive: encoded red is mostly 1.7 of green in
    # photographs, which is three times as much in linear light.
    balance = green * gain[1] / (red * gain[0])
    gain[1:] *= min(1.0, _MOST_GREEN / balance)
    poor = 1.0 - float(np.clip(eye.quality, 0, 1))
    old = max(eye.age - 55.0, 0.0) / 40.0
    angle, reach = rng.uniform(0, 2 * math.pi), abs(rng.normal(0, 0.13)) * (1 + 2.0 * poor)
    haze = 0.02 + 0.85 * poor**1.5 * rng.uniform(0.6, 1.2) + 0.04 * old * rng.random()
    warm = rng.random()
    return CameraStyle(
        gain=(float(gain[0]), float(gain[1]), float(gain[2])),
        fall=float(min(fall * rng.uniform(0.30, 1.55) * (1 + 0.5 * poor), 0.90)),
        lamp_x=float(reach * math.cos(angle)),
        lamp_y=float(reach * math.sin(angle)),
        blur_deg=float(rng.uniform(0.020, 0.050) * (1 + 2.6 * poor)),
        halation=float(rng.uniform(0.06, 0.13)),
        haze=float(min(haze, 0.75)),
        yellow=float(0.35 * old * rng.random()),
        fringe=float(rng.uniform(0.0004, 0.0013)),
        rim=float(rng.gamma(1.5, 0.45) * (1 + 1.2 * poor)),
        rim_angle=float(rng.uniform(0, 2 * math.pi)),
        rim_colour=(0.030 + 0.03 * warm, 0.018, 0.022 - 0.012 * warm),
        sharpen=float(rng.uniform(0.15, 1.15)),
        saturation=float(np.clip(rng.normal(1.01, 0.10), 0.78, 1.22)),
        contrast=float(rng.uniform(0.0, 0.95)),
        noise=float(0.4 + rng.gamma(1.8, 0.36) * (1 + 0.4 * poor)),
        stored=int(rng.uniform(66, 93)) if rng.random() < _SHARE_STORED else 0,
        shape=FieldShape.of(eye),
    )


def encode_light(light: NDArray[np.floating], eye: Eye) -> NDArray[np.float64]:
    """Return the encoded colour (0 to 1) that the camera gives plain light, shape (..., 3).

    White balance, exposure, tone curve and saturation only: what a large even
    patch in the middle of the field would come out as.
    """
    style = camera_of(eye)
    exposed = np.clip(np.asarray(light, float) * np.array(style.gain), 0, _TABLE_TOP)
    table = _tone_table(style.contrast)
    position = np.sqrt(exposed / _TABLE_TOP) * (_TABLE_SIZE - 2)
    encoded = np.interp(position, np.arange(_TABLE_SIZE), table)
    grey = encoded @ np.array([0.30, 0.59, 0.11])
    vivid = np.asarray(style.saturation * (1 - highlight(grey)))
    out: NDArray[np.float64] = np.clip(
        grey[..., None] + vivid[..., None] * (encoded - grey[..., None]), 0, 1
    )
    return out


@lru_cache(maxsize=64)
def _tone_table(contrast: float) -> Floats:
    """Return encoded values of linear light, at the square roots of 0.._TABLE_TOP."""
    light = (np.arange(_TABLE_SIZE) / (_TABLE_SIZE - 2)) ** 2 * _TABLE_TOP
    # Film-like shoulder: highlights roll off instead of clipping at once.
    shoulder = np.where(light < 0.55, light, 0.55 + 0.45 * (1 - np.exp(-(light - 0.55) / 0.45)))
    encoded = np.where(
        shoulder <= 0.0031308, 12.92 * shoulder, 1.055 * shoulder ** (1 / 2.4) - 0.055
    )
    curved = encoded * encoded * (3 - 2 * encoded)
    return np.asarray(encoded + 0.30 * contrast * (curved - encoded), np.float32)


def aperture(eye: Eye, frame: Frame) -> Mask:
    """Return the mask of the field: where the picture is not black."""
    return field_cover(camera_of(eye).shape, frame.size_px) > 127


def photograph(linear: Floats, eye: Eye, frame: Frame) -> Picture:
    """Return the 8-bit sRGB photograph of linear light, shape (size, size, 3).

    ``linear`` is overwritten.
    """
    style = camera_of(eye)
    ppd = frame.px_per_degree
    cover = field_cover(style.shape, frame.size_px)
    illuminate(
        linear, style.fall, style.lamp_x, style.lamp_y, np.array(style.gain, np.float32),
        np.float32(math.exp(-style.yellow)),
    )  # fmt: skip
    wide, step = reduced_gaussian(linear, 1.1 * ppd)
    veil = _stray(linear, cover)
    # From here to the encoded picture all happens in the memory of the light.
    encoded = gaussian(linear, style.blur_deg * ppd, in_place=True)
    grey = np.zeros(encoded.shape[:2], np.float32)
    bounds = field_bounds(cover, math.ceil(3 * _SHARPENED_DEG * ppd) + 2)
    develop(
        encoded, wide, step, grey, np.float32(style.halation), np.float32(style.haze),
        veil, np.float32(style.fringe), np.float32(style.rim), style.rim_angle,
        np.array(style.rim_colour, np.float32), _tone_table(style.contrast),
        bounds,
    )  # fmt: skip
    soft = gaussian(grey, _SHARPENED_DEG * ppd, in_place=True)
    rng = stream(eye.seed, "sensor")
    shift = rng.integers(0, 512, 4)
    out = np.empty(encoded.shape, np.uint8)
    finish(
        encoded, soft, cover, noise_tile(), shift, np.float32(style.sharpen),
        np.float32(style.saturation), np.float32(style.noise), bounds, out,
    )  # fmt: skip
    return _kept_as_jpeg(out, style.stored, cover) if style.stored else out


def _kept_as_jpeg(picture: Picture, quality: int, cover: NDArray[np.uint8]) -> Picture:
    """Return the picture as it comes back from a JPEG with halved colour, black outside."""
    kept = io.BytesIO()
    Image.fromarray(picture).save(kept, "JPEG", quality=quality, subsampling=2)
    with Image.open(kept) as image:
        back = np.array(image)
    back[cover == 0] = 2
    return back


def _stray(linear: Floats, cover: NDArray[np.uint8]) -> Floats:
    """Return the mean light of the field, which hazy media spread over everything."""
    step = max(1, linear.shape[0] // 96)
    seen = cover[::step, ::step] > 127
    return np.asarray(np.minimum(linear[::step, ::step], 1.2)[seen].mean(axis=0), np.float32)
