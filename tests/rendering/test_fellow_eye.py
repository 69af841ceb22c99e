"""The two eyes of a person against what is measured in fellow eyes."""

from __future__ import annotations

import numpy as np
import pytest

from server.rendering import draw_eye, render
from server.rendering.anatomy import Anatomy, draw_anatomy
from server.rendering.camera import camera_of
from server.rendering.eye import View
from server.rendering.population import fellow_eye

Pairs = list[tuple[Anatomy, Anatomy]]


@pytest.fixture(scope="module")
def pairs() -> Pairs:
    eyes = [draw_eye(seed) for seed in range(1500)]
    return [(draw_anatomy(eye), draw_anatomy(fellow_eye(eye))) for eye in eyes]


def test_fellow_of_a_fellow_is_the_eye_itself() -> None:
    eye = draw_eye(11)
    fellow = fellow_eye(eye)
    assert fellow.side != eye.side
    assert (fellow.pigmentation, fellow.age) == (eye.pigmentation, eye.age)
    assert fellow_eye(fellow) == eye
    assert draw_eye(11, camera="rose").person is None


def test_both_eyes_are_taken_with_one_camera() -> None:
    for seed in range(5):
        eye = draw_eye(seed)
        assert camera_of(fellow_eye(eye)) == camera_of(eye)


def test_disc_fovea_angle_differs_as_measured(pairs: Pairs) -> None:
    # R. A. Jonas 2015: the angle of the two eyes of a person differs by 4.0 +- 2.9 degrees.
    apart = np.array([abs(a.disc_angle - b.disc_angle) for a, b in pairs])
    assert apart.mean() == pytest.approx(4.0, abs=0.4)
    assert apart.std() == pytest.approx(2.9, abs=0.4)


def test_cups_correlate_and_seldom_differ_much(pairs: Pairs) -> None:
    cups = np.array([[a.cup_ratio_vertical, b.cup_ratio_vertical] for a, b in pairs])
    # Correlation of fellow cups 0.87 (direct-ophthalmoscope series, 184 adults).
    assert np.corrcoef(cups.T)[0, 1] == pytest.approx(0.87, abs=0.04)
    # Normal eyes: a difference above 0.2 in fewer than 3% (ISGEO percentiles).
    assert np.mean(np.abs(cups[:, 0] - cups[:, 1]) > 0.2) < 0.03


def test_distance_is_nearly_the_same(pairs: Pairs) -> None:
    # Rohrschneider 2004: horizontal difference of the blind spots 0.0 +- 1.1 degrees.
    apart = np.array([a.disc_x - b.disc_x for a, b in pairs])
    assert abs(apart.mean()) < 0.1
    assert apart.std() < 1.1


def test_the_second_eye_is_as_varied_as_the_first(pairs: Pairs) -> None:
    for name in ("disc_width", "disc_height", "cup_ratio_vertical", "disc_x", "disc_y"):
        first = np.array([getattr(a, name) for a, _ in pairs])
        second = np.array([getattr(b, name) for _, b in pairs])
        assert second.mean() == pytest.approx(first.mean(), rel=0.05)
        assert second.std() == pytest.approx(first.std(), rel=0.15)


def test_pictures_are_similar_in_colour_and_not_identical() -> None:
    view = View(45.0, (-7.0, 0.0), 128)
    between, within = [], []
    colours = []
    for seed in range(12):
        eye = draw_eye(seed)
        first, second = (render(each, [], view) for each in (eye, fellow_eye(eye)))
        assert (first.picture != second.picture[:, ::-1]).any()
        pair = [np.median(r.picture[r.masks["field"]], axis=0) for r in (first, second)]
        within.append(np.abs(pair[0] - pair[1]).mean())
        colours.append(pair[0])
    for k in range(12):
        between.append(np.abs(colours[k] - colours[k - 1]).mean())
    assert np.mean(within) < 0.35 * np.mean(between)
