"""Magnification, lens and heights against the published figures of the direct ophthalmoscope."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.errors import BadInput
from server.optics.focus import height_read_mm, lens_map_d, sharpest_wheel_d
from server.optics.reduced_eye import (
    Examiner,
    PatientEye,
    angular_magnification,
    degrees_to_mm,
    lens_needed_d,
    magnification,
)

REFRACTIONS = st.floats(-12.0, 12.0)
DISTANCES = st.floats(15.0, 40.0)
KINDS = st.sampled_from(["axial", "refractive"])


def test_an_emmetropic_fundus_is_magnified_fifteen_times() -> None:
    # Textbooks and the American Academy of Ophthalmology: about 15 times, F / 4.
    for distance in (15.0, 20.0, 25.0, 35.0):
        assert magnification(PatientEye(), distance) == pytest.approx(15.0)


@pytest.mark.parametrize(
    ("refraction", "times"),
    # M = (F / 4) / (1 + dK) at 20 mm for a reduced eye of 60 D dioptric length.
    [(-15, 21.4), (-10, 18.8), (-5, 16.7), (0, 15.0), (5, 13.6), (10, 12.5)],
)
def test_refractive_ametropia_changes_the_magnification(refraction: float, times: float) -> None:
    eye = PatientEye(refraction, "refractive")
    assert magnification(eye, 20.0) == pytest.approx(times, abs=0.06)


@given(REFRACTIONS)
def test_axial_ametropia_changes_nothing_at_the_anterior_focus(refraction: float) -> None:
    # Knapp's rule: corrected at the anterior focal point, 1/60 m, image size does not depend
    # on the eye's length.
    assert magnification(PatientEye(refraction, "axial"), 1000 / 60) == pytest.approx(15.0)


@given(KINDS, st.floats(17.0, 40.0))
def test_a_myope_is_seen_larger_than_a_hypermetrope(kind: str, distance: float) -> None:
    times = [
        magnification(PatientEye(k, "axial" if kind == "axial" else "refractive"), distance)
        for k in (-12, -6, 0, 6, 12)
    ]
    assert times == sorted(times, reverse=True)


@pytest.mark.parametrize(
    ("refraction", "lens"),
    # K / (1 + dK) at 20 mm.
    [(-10, -12.5), (-5, -5.56), (0, 0.0), (5, 4.55), (10, 8.33)],
)
def test_the_lens_needed(refraction: float, lens: float) -> None:
    assert lens_needed_d(PatientEye(refraction), 20.0) == pytest.approx(lens, abs=0.01)


@given(st.floats(-3.0, 3.0), st.floats(-4.0, 4.0))
def test_the_wheel_reads_about_the_sum_of_both_refractions(patient: float, own: float) -> None:
    # A refraction text of the early 20th century: the sum, with both relaxed, signs kept.
    lens = lens_needed_d(PatientEye(patient), 20.0, Examiner(refraction_d=own))
    assert lens == pytest.approx(patient + own, abs=0.25)


def test_an_examiner_who_accommodates_needs_more_minus() -> None:
    strained = Examiner(accommodation_d=3.0)
    assert lens_needed_d(PatientEye(), 25.0, strained) == pytest.approx(-3.0)


def test_three_dioptres_are_about_a_millimetre() -> None:
    # 'About 3 diopters are equal to 1 mm' (cranial-nerve examination text); F^2 / n = 2.69.
    eye = PatientEye()
    for height in (-0.5, 0.3, 1.0):
        rise = lens_needed_d(eye, 20.0, height_mm=height) / height
        assert 2.5 <= rise <= 3.0
    slope = (lens_needed_d(eye, 20, height_mm=1e-4) - lens_needed_d(eye, 20)) / 1e-4
    assert slope == pytest.approx(0.06**2 * 1e6 / (4 / 3) / 1000, rel=1e-3)
    assert height_read_mm(3.0) == pytest.approx(1.1, abs=0.02)


def test_in_aphakia_three_dioptres_are_about_two_millimetres() -> None:
    # 1.4 D per mm, 2 mm for 3 D (value from memory): an eye of the cornea's 43 D alone.
    aphakic = PatientEye(17.0, "refractive")
    assert aphakic.power_d == pytest.approx(43.0)
    low, high = (lens_needed_d(aphakic, 22.0, height_mm=height) for height in (-0.5, 0.5))
    assert high - low == pytest.approx(1.4, abs=0.1)
    assert height_read_mm(3.0, aphakic, 22.0) == pytest.approx(2.1, abs=0.1)


@given(REFRACTIONS, DISTANCES, KINDS)
def test_a_height_is_read_back_from_two_lenses(
    refraction: float, distance: float, kind: str
) -> None:
    eye = PatientEye(refraction, "axial" if kind == "axial" else "refractive")
    low, high = (lens_needed_d(eye, distance, height_mm=height) for height in (-0.01, 0.01))
    assert height_read_mm(high - low, eye, distance) == pytest.approx(0.02, rel=0.01)


@given(REFRACTIONS, DISTANCES, KINDS, st.floats(-1.0, 1.5))
def test_a_map_of_lenses_is_the_lens_of_each_point(
    refraction: float, distance: float, kind: str, height: float
) -> None:
    eye = PatientEye(refraction, "axial" if kind == "axial" else "refractive")
    mapped = lens_map_d(np.full((2, 2), height), eye, distance)
    assert mapped == pytest.approx(lens_needed_d(eye, distance, height_mm=height))


def test_one_millimetre_of_retina_subtends_three_and_a_half_degrees() -> None:
    # 15 mm at 250 mm.
    degrees = 1 / degrees_to_mm(PatientEye(), 1.0)
    assert degrees * angular_magnification(PatientEye(), 25.0) == pytest.approx(3.44, abs=0.01)
    assert math.degrees(15 / 250) == pytest.approx(3.44, abs=0.01)


def test_the_length_of_the_eye_follows_an_axial_refraction() -> None:
    # 22.2 mm reduced; about 0.37 mm to the dioptre.
    assert PatientEye().length_mm == pytest.approx(22.22, abs=0.01)
    longer = PatientEye(-3.0).length_mm - PatientEye().length_mm
    assert longer / 3 == pytest.approx(0.37, abs=0.03)
    assert PatientEye(-3.0, "refractive").length_mm == pytest.approx(22.22, abs=0.01)


def test_the_wheel_steps_to_the_nearest_power_with_more_plus_first() -> None:
    assert sharpest_wheel_d(-5.56) == -6
    assert sharpest_wheel_d(0.5) == 1
    assert sharpest_wheel_d(13.0) == 12


@pytest.mark.parametrize(
    "make",
    [
        lambda: PatientEye(-30.0),
        lambda: PatientEye(math.nan),
        lambda: Examiner(accommodation_d=-1.0),
        lambda: Examiner(pupil_mm=0.0),
        lambda: magnification(PatientEye(-20.0), 60.0),
        lambda: lens_needed_d(PatientEye(), 2.0),
        lambda: PatientEye().refraction_at_height_d(12.0),
        lambda: lens_map_d(np.array([12.0]), PatientEye(), 25.0),
    ],
)
def test_an_impossible_eye_is_refused(make: object) -> None:
    assert callable(make)
    with pytest.raises(BadInput):
        make()
