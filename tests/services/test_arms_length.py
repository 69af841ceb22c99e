"""The first step of an examination: what is drawn of the pupil, and what is said of it."""

from __future__ import annotations

import math
from random import Random

import numpy as np
import pytest

from server.optics.red_reflex import ABOLISHED
from server.optics.run_lengths import grid
from server.scheduling.views import STAGES, conditions
from server.services import arms_length


def lit(pupil_mm: float, haze: float) -> np.ndarray:
    """Return the reflex that the page is given, 0 to 255."""
    view = arms_length.pupil_view(pupil_mm, haze, 0.45, nose_on_right=True)
    return grid(view["light"], view["size"])


def test_clear_media_glow_evenly_and_haze_is_darkest_in_the_middle() -> None:
    assert (lit(6.0, 0.0) == 255).all()
    hazy = lit(6.0, 0.5)
    middle = hazy.shape[0] // 2
    # Light passes the nucleus twice, and half of it each time.
    assert hazy[middle, middle] == pytest.approx(255 * 0.25, abs=3)
    assert hazy[middle, middle] < hazy[middle, 0]
    assert lit(6.0, 1.0).mean() <= 255 * ABOLISHED


@pytest.mark.parametrize("pupil", [2.5, 6.0])
def test_it_is_said_in_words_what_is_drawn(pupil: float) -> None:
    assert "even and bright" in arms_length.in_words(pupil, 0.0)
    assert "dull" in arms_length.in_words(pupil, 0.5)
    assert "no red reflex" in arms_length.in_words(pupil, 1.0)


def test_of_the_stages_only_hazy_media_dull_the_reflex_and_none_abolishes_it() -> None:
    for number, name in enumerate(STAGES, 1):
        for k in range(12):
            drawn = conditions(number, Random(k))
            said = arms_length.in_words(drawn.pupil_mm, drawn.haze)
            assert ("dull" in said) == (name == "hazy media"), (name, drawn)


def test_seen_from_the_temporal_side_the_pupil_stands_towards_the_nose() -> None:
    right, left = (
        arms_length.pupil_view(4.0, 0.0, 0.45, nose_on_right=side) for side in (True, False)
    )
    # 10.4 mm about the centre of rotation, by 15 degrees.
    assert right["shift"] == pytest.approx(10.4 * math.sin(math.radians(15.0)), abs=0.01)
    assert left["shift"] == -right["shift"]
    assert right["narrow"] == pytest.approx(0.966, abs=0.001)
