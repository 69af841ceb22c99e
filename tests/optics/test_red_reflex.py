"""The red reflex: even when clear, shadowed by opacities that move by their depth, or gone."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from server.errors import BadInput
from server.optics.red_reflex import (
    OPACITIES,
    Opacity,
    OpacityKind,
    abolished,
    mean_reflex,
    pupil_shift_mm,
    reflex,
    shift_with_examiner_mm,
    shift_with_gaze_mm,
    through_media,
)

KINDS: tuple[OpacityKind, ...] = tuple(OPACITIES)
PUPIL = 6.0


def shadow_place(glow: NDArray[np.float64]) -> float:
    """Horizontal middle of the shadow, millimetres."""
    dark = np.nan_to_num(1 - glow)
    across = ((np.arange(glow.shape[1]) + 0.5) / glow.shape[1] - 0.5) * PUPIL
    return float((dark.sum(axis=0) * across).sum() / dark.sum())


def test_clear_media_glow_evenly_to_the_pupils_edge() -> None:
    glow = reflex(PUPIL, ())
    inside = ~np.isnan(glow)
    assert (glow[inside] == 1.0).all()
    assert inside.mean() == pytest.approx(np.pi / 4, abs=0.01)


@given(
    st.floats(0.1, 12) | st.floats(-5, -0.1) | st.just(0.0), st.floats(1, 60), st.floats(300, 450)
)
def test_parallax_tells_the_depth(depth: float, moved: float, distance: float) -> None:
    # Textbooks' rule: behind the pupil plane with the examiner, before it against, in it still.
    shift = shift_with_examiner_mm(depth, moved, distance)
    assert np.sign(shift) == np.sign(depth)
    assert shift_with_examiner_mm(0.0, moved, distance) == 0.0
    # The line from the examiner through the opacity, cut by the pupil plane.
    line = moved + (0.0 - moved) * distance / (distance + depth)
    assert shift == pytest.approx(line, abs=1e-9)
    # When the eye turns it is the other way round.
    assert np.sign(shift_with_gaze_mm(depth, 10.0)) == -np.sign(depth)


def test_the_deeper_the_faster() -> None:
    shifts = [shift_with_examiner_mm(OPACITIES[kind], 50.0, 400.0) for kind in KINDS]
    depths = [OPACITIES[kind] for kind in KINDS]
    assert np.argsort(depths).tolist() == np.argsort(shifts).tolist()
    assert OPACITIES["corneal-scar"] < 0 < OPACITIES["posterior-subcapsular-cataract"]
    assert pupil_shift_mm(10.0) == pytest.approx(1.8, abs=0.1)


@pytest.mark.parametrize("kind", ["corneal-scar", "posterior-subcapsular-cataract"])
def test_the_shadow_in_the_picture_moves_as_the_rule_says(kind: OpacityKind) -> None:
    one = Opacity(kind, 0.9, seed=3)
    still = shadow_place(reflex(PUPIL, (one,), size=256))
    moved = shadow_place(reflex(PUPIL, (one,), moved_mm=(40.0, 0.0), size=256))
    expected = shift_with_examiner_mm(one.depth_mm, 40.0, 400.0)
    assert moved - still == pytest.approx(expected, abs=0.05)
    turned = shadow_place(reflex(PUPIL, (one,), turned_deg=(5.0, 0.0), size=256))
    assert np.sign(turned - still) == -np.sign(one.depth_mm)


@pytest.mark.parametrize("kind", KINDS)
def test_every_opacity_takes_light_the_more_the_denser(kind: OpacityKind) -> None:
    levels = [mean_reflex(PUPIL, (Opacity(kind, density),)) for density in (0, 0.3, 0.6, 0.9)]
    assert levels[0] == 1.0
    assert levels == sorted(levels, reverse=True)
    assert len(set(levels)) == 4
    assert mean_reflex(PUPIL, (Opacity(kind, 0.5),)) < through_media(PUPIL, (Opacity(kind, 0.5),))


@pytest.mark.parametrize("kind", ["nuclear-cataract", "vitreous-haemorrhage"])
@pytest.mark.parametrize("pupil", [2.0, 4.0, 8.0])
def test_dense_cataract_and_blood_abolish_the_reflex(kind: OpacityKind, pupil: float) -> None:
    # American Academy of Pediatrics 2008: absent reflex in dense opacity of the media.
    assert abolished(pupil, (Opacity(kind, 1.0),))
    assert not abolished(pupil, (Opacity(kind, 0.4),))


def test_a_central_plaque_matters_most_in_a_small_pupil_and_spokes_in_a_wide_one() -> None:
    # Common practice: posterior subcapsular cataract disables in bright light.
    plaque = (Opacity("posterior-subcapsular-cataract", 0.9),)
    assert mean_reflex(2.0, plaque) < 0.5 * mean_reflex(7.0, plaque)
    spokes = (Opacity("cortical-cataract", 0.9, 2),)
    assert mean_reflex(7.0, spokes) < mean_reflex(2.0, spokes)


def test_what_is_no_opacity_is_refused() -> None:
    for make in (
        lambda: Opacity("dust", 0.5),  # type: ignore[arg-type]
        lambda: Opacity("corneal-scar", 1.5),
        lambda: reflex(0.5),
        lambda: reflex(4.0, size=4),
        lambda: shift_with_examiner_mm(-500.0, 1.0, 400.0),
    ):
        with pytest.raises(BadInput):
            make()
