"""The camera: styles, tone, field shapes, haze, and that no finding moves the exposure."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import ndimage

from server.errors import BadInput
from server.rendering.camera import CAMERAS, camera_of, encode_light, photograph
from server.rendering.compose import render
from server.rendering.eye import Eye, Feature, View
from server.rendering.field_shape import FieldShape, field_cover
from server.rendering.frame import Frame
from server.rendering.population import draw_eye

VIEW = View(45.0, (-7.0, 0.0), 256)


def test_unknown_camera_names_the_known_ones() -> None:
    with pytest.raises(BadInput, match="orange"):
        camera_of(Eye(1, camera="purple"))
    with pytest.raises(BadInput, match="orange"):
        draw_eye(1, camera="purple")


def test_styles_differ_in_hue() -> None:
    # C19, computed from public sets: R/G medians from 1.3 to 3.6 between cameras.
    ratios = []
    for name in CAMERAS:
        p = render(replace(draw_eye(3), camera=name), (), VIEW)
        red, green, _ = np.median(p.picture[p.masks["field"]], axis=0)
        ratios.append(red / green)
    assert max(ratios) / min(ratios) > 1.5


def test_exposure_belongs_to_the_eye_not_to_its_findings() -> None:
    eye = draw_eye(17)
    far = np.s_[:60, 100:156]
    with_cup = render(eye, (Feature("enlarged-cup", "concentric", 1.0),), VIEW).picture[far]
    apart = with_cup.astype(float) - render(eye, (), VIEW).picture[far].astype(float)
    # A lossy store rounds its blocks anew, which is no exposure: that would shift them all.
    assert np.abs(apart.mean(axis=(0, 1))).max() <= 1.5


def test_tone_rises_and_rolls_off() -> None:
    eye = draw_eye(2)
    light = np.linspace(0, 4, 200)[:, None] * np.ones(3)
    encoded = encode_light(light, eye)
    assert np.all(np.diff(encoded, axis=0) >= -1e-6)
    assert encoded[0].max() < 0.02
    assert encoded[-1].min() > 0.9
    # Highlights are compressed: the upper half of the light takes little of the scale.
    assert (encoded[-1] - encoded[100]).max() < 0.2


def test_encode_light_is_what_an_even_patch_comes_out_as() -> None:
    eye = replace(draw_eye(6), quality=1.0)
    frame = Frame.of(View(45.0, (0.0, 0.0), 300))
    colour = np.array([0.30, 0.06, 0.025])
    even = np.broadcast_to(colour, (300, 300, 3)).astype(np.float32).copy()
    middle = photograph(even, eye, frame)[140:160, 140:160].reshape(-1, 3).mean(axis=0) / 255
    # The lamp's patch is up to a tenth brighter in its middle.
    assert np.allclose(middle, encode_light(colour, eye), atol=0.06)


def test_sharp_points_spread_by_the_stated_blur() -> None:
    eye = replace(draw_eye(6), quality=1.0, camera="beige")
    frame = Frame.of(View(20.0, (0.0, 0.0), 600))
    light = np.full((600, 600, 3), 0.05, np.float32)
    # Faint enough to stay below the shoulder of the tone curve.
    light[300, 300] = 1.0
    green = photograph(light, eye, frame)[270:331, 270:331, 1] / 255
    # Widths are those of the light, so undo the sRGB curve first (IEC 61966-2-1).
    spot = ((green + 0.055) / 1.055) ** 2.4
    spot = spot - np.median(spot)
    assert spot.max() > 0.01
    half_width = np.sqrt((spot > spot.max() / 2).sum() / np.pi)
    assert half_width == pytest.approx(
        1.18 * camera_of(eye).blur_deg * frame.px_per_degree, rel=0.6
    )


def test_haze_lowers_contrast_and_blurs() -> None:
    contrast = []
    for quality in (1.0, 0.7, 0.4, 0.1):
        r = render(replace(draw_eye(9), quality=quality), (), View(45, (-7, 0), 400))
        log_green = np.log(r.picture[..., 1].astype(float) + 3)
        fine = ndimage.gaussian_filter(log_green, 1.4) - ndimage.gaussian_filter(log_green, 2.8)
        inner = ndimage.binary_erosion(r.masks["field"], iterations=12)
        contrast.append(fine[inner].std())
    assert np.all(np.diff(contrast) < 0)
    assert contrast[-1] < 0.5 * contrast[0]


@pytest.mark.parametrize("tab", ["", "square", "pointed", "round"])
@pytest.mark.parametrize("flat", [2.0, 0.86])
def test_field_is_one_piece_with_its_tab(tab: str, flat: float) -> None:
    cover = field_cover(FieldShape(flat, tab, -0.78), 400)  # type: ignore[arg-type]
    mask = cover > 127
    assert ndimage.label(mask)[1] == 1
    plain = field_cover(FieldShape(flat), 400) > 127
    assert np.array_equal(mask & plain, plain)
    assert (mask.sum() > plain.sum()) == bool(tab)
    height = np.ptp(np.nonzero(plain)[0]) + 1
    assert height == pytest.approx(400 * 0.992 * min(flat, 1.0), abs=3)


def test_outside_the_field_it_is_black() -> None:
    for seed in range(4):
        r = render(draw_eye(seed), (), VIEW)
        outside = ~ndimage.binary_dilation(r.masks["field"], iterations=2)
        assert r.picture[outside].max() < 8


def test_shapes_vary_between_eyes() -> None:
    shapes = [FieldShape.of(draw_eye(seed)) for seed in range(200)]
    assert 0.2 < np.mean([s.flat < 1 for s in shapes]) < 0.5
    assert {s.tab for s in shapes} == {"", "square", "pointed", "round"}
