"""Field, blur, light, reflections and parallax against published values and geometry."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.errors import BadInput
from server.optics.field_of_view import (
    APERTURES,
    aperture,
    field_deg,
    pupil_field_deg,
    pupil_field_mm,
    seen_fraction,
)
from server.optics.focus import blur_deg, blur_px, error_d, lens_map_d, parallax_deg
from server.optics.light import brightness, corneal_reflection, fundus_light, pupil_light
from server.optics.reduced_eye import Examiner, PatientEye, lens_needed_d

DISC_DIAMETER_MM = 1.8
"""Horizontal 1.77, vertical 1.88 mm (a textbook's mean of an optic disc)."""


@pytest.mark.parametrize(
    ("pupil", "distance", "degrees"),
    # p / d radians (reduced eye).
    [(3, 25, 6.9), (4, 25, 9.2), (4, 20, 11.5), (7, 25, 16.0), (2, 30, 3.8)],
)
def test_the_field_is_the_pupil_over_the_distance(
    pupil: float, distance: float, degrees: float
) -> None:
    assert pupil_field_deg(pupil, distance) == pytest.approx(degrees, abs=0.06)


def test_the_field_on_the_retina_is_about_a_disc() -> None:
    across = pupil_field_mm(PatientEye(), 3.0, 25.0)
    assert across == pytest.approx(2.0, abs=0.01)
    assert across / DISC_DIAMETER_MM == pytest.approx(1.1, abs=0.05)
    # A textbook's 'about 5 degrees, one to two disc diameters' for a pupil of 2.2 to 4 mm.
    assert 1.0 <= pupil_field_mm(PatientEye(), 2.7, 25.0) / DISC_DIAMETER_MM <= 2.0


@given(st.floats(2.0, 8.0), st.floats(15.0, 40.0), st.floats(-8.0, 8.0))
def test_the_field_grows_with_the_pupil_the_nearness_and_hypermetropia(
    pupil: float, distance: float, refraction: float
) -> None:
    here = pupil_field_deg(pupil, distance, refraction)
    assert pupil_field_deg(pupil + 0.5, distance, refraction) > here
    assert pupil_field_deg(pupil, distance + 1, refraction) < here
    assert pupil_field_deg(pupil, distance, refraction + 1) > here


def test_the_small_spot_is_about_the_disc() -> None:
    # 'About 5 degrees, the size of an average disc' (Optic nerve examination, Oxford).
    assert aperture("small").width_deg == 5.0
    assert field_deg(aperture("small"), 7.0, 25.0) == (5.0, 5.0)
    assert field_deg(aperture("slit"), 3.0, 25.0) == pytest.approx((1.5, 6.9), abs=0.1)
    assert [stop.code for stop in APERTURES.values()] == list(range(len(APERTURES)))


@pytest.mark.parametrize(("pupil", "hole"), [(3.0, 3.0), (5.0, 2.0), (2.0, 3.5)])
@pytest.mark.parametrize("refraction", [-6.0, 0.0, 6.0])
def test_the_fading_of_the_field_is_the_share_of_rays_that_pass(
    pupil: float, hole: float, refraction: float
) -> None:
    """Trace a beam by hand: rays from all over the pupil, tested at the sight hole."""
    distance = 25.0
    rng = np.random.default_rng(5)
    points = rng.uniform(-1, 1, (200_000, 2))
    points = points[np.hypot(*points.T) < 1] * pupil / 2
    for angle in (0.0, 2.0, 4.0, 6.0, 9.0):
        # All rays of one fundus point leave with its angle, bent in proportion to the height.
        slope = math.tan(math.radians(angle))
        at_hole = points * (1 + 0.001 * distance * refraction)
        at_hole[:, 0] += distance * slope
        passed = (np.hypot(*at_hole.T) < hole / 2).mean()
        best = min(1.0, (hole / (pupil * (1 + 0.001 * distance * refraction))) ** 2)
        got = seen_fraction(angle, pupil, distance, refraction, Examiner(pupil_mm=hole))
        assert float(got) == pytest.approx(passed / best, abs=0.01)


def test_the_stated_field_ends_where_about_half_the_light_is_left() -> None:
    edge = pupil_field_deg(6.0, 25.0) / 2
    assert 0.35 < float(seen_fraction(edge, 6.0, 25.0, examiner=Examiner(pupil_mm=2.0))) < 0.5
    assert float(seen_fraction(2.2 * edge, 6.0, 25.0)) == 0.0


def test_a_dioptre_of_blur_is_a_milliradian_for_each_millimetre_of_pupil() -> None:
    # Strasburger, Bach and Heinrich 2018: 0.057 degrees for each mm and dioptre, 3.44 minutes.
    wide = Examiner(pupil_mm=8.0)
    assert float(blur_deg(1.0, 1.0, examiner=wide)) * 60 == pytest.approx(3.44, abs=0.01)
    assert float(blur_deg(-2.0, 3.0, examiner=wide)) == pytest.approx(6 * 0.0573, abs=0.001)
    # The narrower pupil counts.
    assert float(blur_deg(1.0, 6.0)) == float(blur_deg(1.0, 3.0))
    assert float(blur_px(0.5, 60.0, 1200)) == 10.0


@given(st.floats(-10, 10), st.floats(1.5, 8), st.floats(-8, 8), st.floats(15, 35))
def test_blur_is_none_at_the_needed_lens_and_grows_with_the_error(
    error: float, pupil: float, refraction: float, distance: float
) -> None:
    assert float(blur_deg(0.0, pupil, distance, refraction)) == 0.0
    here, more = blur_deg([error, 1.5 * error], pupil, distance, refraction)
    assert more == pytest.approx(1.5 * here)


def test_dialling_through_the_wheel_shows_height() -> None:
    """The summit of a disc 1 mm high is sharpest 2.5 to 3 D more plus than the retina."""
    needed = lens_map_d(np.array([0.0, 1.0, -0.6]), PatientEye(-2.0), 25.0)
    steps = np.arange(-8, 6, 0.25)
    blur = np.array([blur_deg(error_d(step, needed), 4.0, 25.0, -2.0) for step in steps])
    retina, summit, cup = steps[blur.argmin(axis=0)]
    assert 2.25 <= summit - retina <= 3.0
    assert -2.0 <= cup - retina <= -1.25
    assert retina == pytest.approx(lens_needed_d(PatientEye(-2.0), 25.0), abs=0.25)


def test_accommodation_makes_good_too_little_plus_only() -> None:
    assert error_d(0.0, [2.0, 5.0, -2.0], reserve_d=3.0) == pytest.approx([0.0, -2.0, 2.0])


def test_light_falls_with_a_small_pupil_and_a_dark_fundus() -> None:
    levels = [pupil_light(size) for size in (1.5, 2.0, 2.5, 3.0, 6.0)]
    assert levels == sorted(levels)
    assert levels[-1] == 1.0
    assert levels[0] < 0.2
    # Delori and Pflibsen 1989, 610 nm: 47 % between people, so a mean +- 2 SD of about 2.3 to 0.4.
    shades = np.linspace(0, 1, 101)
    light = np.array([fundus_light(shade) for shade in shades])
    assert (np.diff(light) < 0).all()
    assert fundus_light(0.45) == 1.0
    normal = np.exp(np.random.default_rng(1).normal(0, 0.45, 100_000))
    assert float(normal.std() / normal.mean()) == pytest.approx(0.47, abs=0.01)
    assert light[0] / light[-1] == pytest.approx(math.exp(4 * 0.45), rel=1e-6)
    assert brightness(3.0, 0.45, 0.5) == pytest.approx(0.25)


def test_the_reflection_lies_where_a_convex_mirror_puts_it() -> None:
    """Trace one ray by hand: lamp to cornea to eye, angle in equals angle out."""
    distance, below = 25.0, 2.5
    shown = corneal_reflection(4.0, distance)
    radius = 7.8
    best, where = math.inf, (0.0, 0.0)
    for turn in np.linspace(0, 0.2, 20_001):
        point = np.array([radius * math.sin(turn), -radius * (1 - math.cos(turn))])
        normal = np.array([math.sin(turn), math.cos(turn)])
        lamp, eye = np.array([below, distance]) - point, np.array([0, distance]) - point
        going = lamp / np.hypot(*lamp)
        back = 2 * (going @ normal) * normal - going
        off = abs(math.atan2(back[0], back[1]) - math.atan2(eye[0], eye[1]))
        if off < best:
            best, where = off, (float(point[0]), float(point[1]))
    # Seen from the eye along that ray, in the plane of the pupil 2.9 mm behind the surface.
    depth = radius - 4.884
    seen_at = where[0] * (distance + depth) / (distance - where[1])
    image = shown.y_mm * (distance + depth) / (distance + depth + shown.depth_mm)
    assert shown.x_mm == 0.0
    assert image == pytest.approx(seen_at, rel=0.05)
    assert shown.haze_deg > 5.0


def test_the_reflection_moves_a_millimetre_for_twelve_degrees_of_gaze() -> None:
    # Barry and Backes 1997: 11.82 degrees to the millimetre, pupil centre as the landmark.
    straight = corneal_reflection(4.0, 1000.0, lamp_below_mm=0.0)
    turned = corneal_reflection(4.0, 1000.0, (11.82, 0.0), lamp_below_mm=0.0)
    assert straight.x_mm == 0.0
    assert turned.x_mm == pytest.approx(-1.0, abs=0.02)
    assert corneal_reflection(4.0, 25.0, (35.0, 0.0)).blocks == 0.0
    assert corneal_reflection(2.0, 25.0).blocks > corneal_reflection(6.0, 25.0).blocks > 0


def test_vessels_on_the_rim_slide_against_the_examiner() -> None:
    # A historic text: vessels at the margin, nearer to the observer, seem to move the other way.
    rim, retina, cup = parallax_deg(np.array([0.5, 0.0, -0.6]), 2.0, PatientEye(), 25.0)
    assert rim < 0.0 < cup
    assert retina == 0.0
    assert float(rim) == -float(parallax_deg(0.5, -2.0, PatientEye(), 25.0))


@pytest.mark.parametrize(
    "ask",
    [
        lambda: pupil_field_deg(0.5, 25.0),
        lambda: pupil_field_deg(3.0, 2.0),
        lambda: aperture("huge"),
        lambda: blur_deg(1.0, 0.0),
        lambda: blur_px(1.0, 0.0, 10),
        lambda: fundus_light(1.2),
        lambda: brightness(3.0, 0.4, 1.4),
        lambda: pupil_light(0.0),
        lambda: error_d(0.0, 1.0, -2.0),
        lambda: corneal_reflection(-1.0, 25.0),
    ],
)
def test_what_cannot_be_is_refused(ask: object) -> None:
    assert callable(ask)
    with pytest.raises(BadInput):
        ask()
