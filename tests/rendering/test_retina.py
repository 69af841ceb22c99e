"""Colour of retina and macula against published and measured values.

Row numbers are those of our list of fundus checks; sources beside each test.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage
from skimage.morphology import skeletonize

from server.rendering.anatomy import draw_anatomy
from server.rendering.choroid import ribbons
from server.rendering.compose import render
from server.rendering.eye import MM_PER_DEGREE, Rendering, View
from server.rendering.frame import Frame
from server.rendering.lesions import smoothstep
from server.rendering.population import draw_eye
from server.rendering.retina import RetinaLook, background, bare_background, smooth_layers

SEEDS = range(16)
VIEW = View(45.0, (-7.0, 0.0), 320)
Array = NDArray[np.float64]


@cache
def sample() -> tuple[Rendering, ...]:
    return tuple(render(draw_eye(seed), (), VIEW) for seed in SEEDS)


def linear(encoded: NDArray[np.uint8]) -> Array:
    """Undo the sRGB curve (IEC 61966-2-1)."""
    v = np.asarray(encoded, float) / 255
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def canonical(rendering: Rendering) -> tuple[Array, Array]:
    frame = Frame.of(rendering.view)
    x, y = frame.x.astype(float), frame.y.astype(float)
    return (x[:, ::-1], y) if rendering.eye.side == "right" else (x, y)


def medians() -> Array:
    return np.array([np.median(r.picture[r.masks["field"]], axis=0) for r in sample()])


def test_red_over_green_over_blue() -> None:
    # Row 23; ratios from public photograph sets (computed): R/G 1.2-4.5, B/G 0.05-0.85.
    for r in sample():
        inside = r.picture[ndimage.binary_erosion(r.masks["field"], iterations=4)].astype(int)
        ordered = (inside[:, 0] > inside[:, 1]) & (inside[:, 1] > inside[:, 2])
        assert ordered.mean() > 0.97
    m = medians()
    assert (m[:, 0] / m[:, 1]).min() > 1.2
    assert (m[:, 0] / m[:, 1]).max() < 4.5
    assert (m[:, 2] / m[:, 1]).min() > 0.05
    assert (m[:, 2] / m[:, 1]).max() < 0.85
    assert (m.std(axis=0) / m.mean(axis=0)).min() > 0.10


def test_medians_lie_within_the_union_of_photograph_sets() -> None:
    # C18, computed from six public sets: mean +- 2 SD of the widest of them.
    m = medians()
    assert m[:, 0].min() > 60
    assert m[:, 0].max() < 252
    assert m[:, 1].min() > 28
    assert m[:, 1].max() < 135
    assert m[:, 2].min() > 2
    assert m[:, 2].max() < 100


def test_fovea_is_darker_most_in_blue() -> None:
    # Row 24: Delori and Pflibsen 1989, table I: fovea over nasal fundus, linear,
    # green 0.59, red 0.59, blue 0.23 (+- 0.2). Ours is over 4-6 mm all round.
    ratios = []
    for r in sample():
        x, y = canonical(r)
        mm = np.hypot(x, y) * MM_PER_DEGREE
        vessels = r.masks["arterioles"] | r.masks["venules"]
        far_from_disc = draw_anatomy(r.eye).disc_level(x, y) > 1.8
        around = (mm > 4) & (mm < 6) & r.masks["field"] & ~vessels & far_from_disc
        light = linear(r.picture)
        ratios.append(np.median(light[mm < 0.25], axis=0) / np.median(light[around], axis=0))
    mean = np.mean(ratios, axis=0)
    assert mean[0] == pytest.approx(0.59, abs=0.2)
    assert mean[1] == pytest.approx(0.59, abs=0.2)
    assert mean[2] == pytest.approx(0.23, abs=0.2)
    ordered = [b < g <= r + 0.03 for r, g, b in ratios]
    assert np.mean(ordered) > 0.9


def test_macular_pigment_halves_by_one_degree() -> None:
    # C9: Hammond 1997, half width at half height 1.03 +- 0.38 degrees, in blue only.
    eye = draw_eye(5, pigmentation=0.4)
    anatomy = draw_anatomy(eye)
    layers = smooth_layers(eye, anatomy, Frame(20.0, (0.0, 0.0), 160))
    look = RetinaLook.of(eye, anatomy)
    look.macular_pigment = 1.0
    yellow = background(eye, look, layers)
    look.macular_pigment = 0.0
    none = background(eye, look, layers)
    density = np.log(none / yellow)
    across = density[80, 80:, 2]
    half = float(np.interp(-across[0] / 2, -across, np.arange(80) * 0.125))
    assert 0.6 < half < 2.2
    assert density[80, 80, 1] < 0.15 * density[80, 80, 2]
    assert density[80, 80, 0] == pytest.approx(0.0, abs=1e-5)


def test_pigment_moves_red_most_before_exposure() -> None:
    # C3: Delori and Pflibsen 1989: between people red varies most, green least.
    light = []
    for seed, pig in zip(SEEDS, np.linspace(0.1, 0.95, len(SEEDS)), strict=True):
        eye = draw_eye(seed, pigmentation=float(pig))
        anatomy = draw_anatomy(eye)
        layers = smooth_layers(eye, anatomy, Frame(45.0, (0.0, 0.0), 64))
        light.append(np.median(background(eye, RetinaLook.of(eye, anatomy), layers), axis=(0, 1)))
    variation = np.std(light, axis=0) / np.mean(light, axis=0)
    assert variation[0] > 0.25
    darker = np.corrcoef(np.linspace(0, 1, len(SEEDS)), [v[0] for v in light])[0, 1]
    assert darker < -0.9


def test_choroid_is_a_net_of_100_to_300_micrometres() -> None:
    # V33 (textbooks, value from memory): ribbons 100-300 um, frequent anastomosis.
    pixels = Frame(40.0, (0.0, 0.0), 800)
    widths, joins = [], []
    for seed in range(3):
        eye = draw_eye(seed)
        vessel = ribbons(eye, draw_anatomy(eye), pixels) > 0.55
        spine = skeletonize(vessel)  # type: ignore[no-untyped-call]
        distance = ndimage.distance_transform_edt(vessel)
        widths.append(2 * np.median(distance[spine]) / pixels.px_per_mm * 1000)
        neighbours = ndimage.convolve(spine.astype(int), np.ones((3, 3), int)) - 1
        joins.append((spine & (neighbours >= 3)).sum() / (40 * MM_PER_DEGREE) ** 2)
    assert all(90 < w < 300 for w in widths), widths
    # Several joins in every square millimetre: a net, not a bundle of stripes.
    assert min(joins) > 3


def test_choroid_is_the_same_in_every_field() -> None:
    eye = draw_eye(9)
    anatomy = draw_anatomy(eye)
    wide, near = Frame(60.0, (0.0, 0.0), 1200), Frame(30.0, (5.0, 5.0), 600)
    a, b = ribbons(eye, anatomy, wide), ribbons(eye, anatomy, near)
    cut = a[400:1000, 400:1000]
    assert np.corrcoef(cut.ravel(), b.ravel())[0, 1] > 0.995


def test_bare_choroid_is_paler_and_shows_its_vessels() -> None:
    # F31: geographic atrophy is paler, with choroidal vessels visible in it.
    for pig in (0.15, 0.5, 0.9):
        eye = draw_eye(3, pigmentation=pig)
        anatomy = draw_anatomy(eye)
        layers = smooth_layers(eye, anatomy, Frame(45.0, (0.0, 0.0), 200))
        bare = bare_background(eye, layers)
        cover = background(eye, RetinaLook.of(eye, anatomy), layers)
        assert np.median(bare[..., 1]) > 1.3 * np.median(cover[..., 1])
        vessels, islands = layers.vessels > 0.7, layers.vessels < 0.3
        assert bare[vessels, 1].mean() < 0.9 * bare[islands, 1].mean()


def test_smoothstep_is_flat_outside() -> None:
    step = smoothstep(0.2, 0.6, [0.0, 0.2, 0.4, 0.6, 2.0])
    assert np.allclose(step, [0, 0, 0.5, 1, 1])
