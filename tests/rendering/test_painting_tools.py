"""The tools findings paint with: areas, thin lines, the course of the nerve fibres."""

from __future__ import annotations

import math

import numpy as np
import pytest
from skimage.draw import disk

from server.rendering.anatomy import draw_anatomy
from server.rendering.eye import View
from server.rendering.fibres import (
    FibreDefect,
    FibreLook,
    defect_cover,
    fibre_angle,
    fibre_direction,
    veil_thickness,
)
from server.rendering.frame import Frame
from server.rendering.lesions import (
    absorb,
    area_mm2,
    diameters_um,
    draw_ripples,
    grown,
    lift,
    patch,
    spots,
)
from server.rendering.population import draw_eye
from server.rendering.strokes import Stroke, along_fibres, draw, streak_bundle

FRAME = Frame.of(View(20.0, (0.0, 0.0), 400))


def test_spot_covers_the_disc_it_names() -> None:
    cover = spots(FRAME, [1.0], [-2.0], [1.5], edge=0.04)
    column, row = FRAME.to_pixels(1.0, -2.0)
    expected = np.zeros(cover.shape, bool)
    expected[disk((row, column), 1.5 * FRAME.px_per_degree, shape=cover.shape)] = True  # type: ignore[no-untyped-call]
    assert ((cover > 0.5) ^ expected).sum() < 0.02 * expected.sum()
    assert area_mm2(cover, FRAME) == pytest.approx(math.pi * (1.5 * 0.29) ** 2, rel=0.02)


def test_spots_smaller_than_a_pixel_keep_their_light() -> None:
    rng = np.random.default_rng(0)
    x, y = rng.uniform(-8, 8, (2, 400))
    tiny = spots(FRAME, x, y, 0.012, edge=0.001, add=True).sum()
    fine = spots(Frame.of(View(20.0, (0.0, 0.0), 3200)), x, y, 0.012, edge=0.001, add=True)
    assert tiny == pytest.approx(fine.sum() / 64, rel=0.25)


def test_a_crop_paints_the_same_spots() -> None:
    crop = FRAME.crop(1.0, 1.0, 3.0)
    ripples = draw_ripples(np.random.default_rng(1), 3)
    where = ([0.0, 1.0, 3.5], [0.5, 2.0, 1.0], [0.6, 0.3, 0.8])
    whole = spots(FRAME, *where, ripples=ripples)
    assert np.allclose(
        whole[crop.slices], spots(FRAME, *where, ripples=ripples, crop=crop), atol=1e-3
    )


def test_sizes_in_micrometres() -> None:
    # Derived from 0.29 mm per degree: a large druse (125 um) is 0.2155 degrees in radius.
    assert diameters_um(0.125 / 0.29 / 2) == pytest.approx(125.0)


def test_items_grow_in_turn_and_stay() -> None:
    onsets = np.linspace(0, 0.7, 8)
    steps = np.array([grown(s, onsets) for s in np.linspace(0, 1, 50)])
    assert np.all(np.diff(steps, axis=0) >= 0)
    assert not steps[0].any()
    assert np.allclose(steps[-1], 1)


def test_blood_absorbs_green_most_and_lifting_is_relative() -> None:
    light = np.full((4, 4, 3), 0.5, np.float32)
    absorb(light, np.ones((4, 4), np.float32))
    assert light[0, 0, 1] < light[0, 0, 2] < light[0, 0, 0]
    lift(light, np.zeros((4, 4), np.float32), (9.0, 9.0, 9.0))
    assert light[0, 0, 1] == pytest.approx(0.5 * math.exp(-2.4), rel=1e-4)


def test_patch_has_about_its_area_and_a_ragged_edge() -> None:
    smooth = patch(FRAME, 1, "test", [(0.0, 0.0, 3.0)], raggedness=0.0)
    ragged = patch(FRAME, 1, "test", [(0.0, 0.0, 3.0)], raggedness=0.5)
    assert area_mm2(smooth, FRAME) == pytest.approx(math.pi * (3 * 0.29) ** 2, rel=0.02)
    assert area_mm2(ragged, FRAME) == pytest.approx(area_mm2(smooth, FRAME), rel=0.15)
    assert ((ragged > 0.5) ^ (smooth > 0.5)).sum() > 400


@pytest.mark.parametrize("radius", [0.01, 0.04, 0.2])
def test_stroke_carries_light_in_proportion_to_its_width(radius: float) -> None:
    line = Stroke(np.array([[-6.0, 1.0], [6.0, 2.0]]), np.array([radius, radius]))
    total = draw(FRAME, [line], soft=0.001).sum() / FRAME.px_per_degree**2
    length = math.hypot(12.0, 1.0)
    assert total == pytest.approx(length * 2 * radius + math.pi * radius**2, rel=0.35)


def test_fibres_keep_their_name_along_their_course() -> None:
    disc = (-15.4, -1.7)
    for angle in np.linspace(-2.8, 2.8, 9):
        x, y = disc[0] + 3.1 * math.cos(angle), disc[1] + 3.1 * math.sin(angle)
        path = along_fibres(x, y, 9.0, *disc, step=0.02)
        names = np.unwrap(fibre_angle(path[:, 0], path[:, 1], *disc))
        assert np.ptp(names) < 0.03
        assert names[0] == pytest.approx(angle, abs=0.12)
        assert np.hypot(path[-1, 0] - disc[0], path[-1, 1] - disc[1]) > 9.0


def test_fibres_arch_round_the_fovea() -> None:
    u, v = fibre_direction(0.0, -6.0, -15.4, -1.7)
    assert u > 0.5
    assert v < 0
    start = along_fibres(-12.5, -2.9, 14.0, -15.4, -1.7)
    assert np.hypot(start[:, 0], start[:, 1]).min() > 1.2


def test_streaks_run_along_the_fibres() -> None:
    rng = np.random.default_rng(2)
    for stroke in streak_bundle(rng, -12.0, -6.0, -15.4, -1.7, length=2.0):
        course = np.diff(stroke.points, axis=0)
        course /= np.hypot(course[:, 0], course[:, 1])[:, None]
        u, v = fibre_direction(stroke.points[:-1, 0], stroke.points[:-1, 1], -15.4, -1.7)
        assert np.all(course[:, 0] * u + course[:, 1] * v > 0.97)
        assert stroke.radii[0] < 0.2 * stroke.radii.max()


def test_a_fibre_defect_is_a_wedge_of_its_half() -> None:
    # K21 (Jonas and Budde, value from memory): a wedge that touches the disc, widens
    # outwards and does not pass the raphe.
    anatomy = draw_anatomy(draw_eye(3))
    frame = Frame.of(View(60.0, (-7.0, 0.0), 300))
    look = FibreLook(defects=[FibreDefect(1.1, 0.15, 1.0)])
    lost = defect_cover(look, anatomy, frame) > 0.5
    away = np.hypot(frame.x - anatomy.disc_x, frame.y - anatomy.disc_y)
    near, far = lost & (np.abs(away - 4) < 0.4), lost & (np.abs(away - 10) < 0.4)
    assert near.any()
    assert far.sum() > 1.8 * near.sum()
    assert not lost[(frame.x > 0.5) & (frame.y < 0)].any()
    eye = draw_eye(3)
    full = veil_thickness(FibreLook(), eye, anatomy, frame)
    thin = veil_thickness(look, eye, anatomy, frame)
    assert np.allclose(thin[lost], 0.0, atol=0.6 * full[lost].max())
    assert np.allclose(
        thin[(away < 20) & ~(defect_cover(look, anatomy, frame) > 0)],
        full[(away < 20) & ~(defect_cover(look, anatomy, frame) > 0)],
    )
