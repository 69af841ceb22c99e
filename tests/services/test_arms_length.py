"""The first step of an examination: what is drawn of the pupil, and what is said of it."""

from __future__ import annotations

import math
from random import Random

import numpy as np
import pytest

from server.errors import BadInput
from server.optics.red_reflex import ABOLISHED, OPACITIES
from server.optics.run_lengths import grid
from server.scheduling.views import CLOUDINGS, STAGES, Conditions, conditions
from server.services import arms_length
from server.services.arms_length import ARM_MM, ASIDE_MM, opacity


def lit(pupil_mm: float, haze: float, kind: str = "nuclear-cataract") -> np.ndarray:
    """Return the reflex that the page is given, 0 to 255."""
    view = arms_length.pupil_view(pupil_mm, opacity(haze, kind), 0.45, nose_on_right=True)
    return grid(view["light"], view["size"])


def test_clear_media_glow_evenly_and_haze_is_darkest_in_the_middle() -> None:
    assert (lit(6.0, 0.0) == 255).all()
    hazy = lit(6.0, 0.5)
    middle = hazy.shape[0] // 2
    # Light passes the nucleus twice, and half of it each time.
    assert hazy[middle, middle] == pytest.approx(255 * 0.25, abs=3)
    assert hazy[middle, middle] < hazy[middle, 0]
    assert lit(6.0, 1.0).mean() <= 255 * ABOLISHED


def test_each_kind_has_the_shape_it_is_known_by() -> None:
    # Shapes as in a general textbook of the slit lamp: common practice, no source.
    spokes, plaque = lit(7.0, 0.6, "cortical-cataract"), lit(7.0, 0.6, CLOUDINGS[2])
    size = spokes.shape[0]
    middle = slice(size // 2 - 2, size // 2 + 2)
    assert spokes[middle, middle].mean() > 240 > 100 > plaque[middle, middle].mean()
    away = np.hypot(*(np.indices(spokes.shape) - (size - 1) / 2)) * 2 / size
    edge = (away > 0.8) & (away < 1.0)
    assert spokes[edge].min() < 60
    assert spokes[edge].max() == 255
    assert plaque[edge].min() > 240
    # A scar is one patch off the middle; blood dims everything, here more and there less.
    scar, blood = lit(7.0, 0.6, "corneal-scar"), lit(7.0, 0.6, "vitreous-haemorrhage")
    assert 0.03 < (scar < 60).mean() < 0.2
    assert blood.max() < 200
    assert blood.max() > 1.5 * blood.min()


def test_the_square_reaches_as_far_as_the_shadow_moves() -> None:
    for kind, depth in OPACITIES.items():
        view = arms_length.pupil_view(4.0, opacity(0.5, kind), 0.45, nose_on_right=True)
        # The page moves it by depth times the tangent of the angle from which one looks.
        assert view["depth"] == depth
        assert 2 * abs(depth) * ASIDE_MM / (ARM_MM + depth) <= view["across"] - 4.0 + 0.001
        # Nothing of one look may outweigh the words about it.
        assert len(str(view["light"])) < 12_000


@pytest.mark.parametrize("pupil", [2.5, 6.0])
def test_it_is_said_in_words_what_is_drawn(pupil: float) -> None:
    assert "even and bright" in arms_length.in_words(pupil, None)
    assert "dull" in arms_length.in_words(pupil, opacity(0.5))
    assert "no red reflex" in arms_length.in_words(pupil, opacity(1.0))


def test_what_clouds_is_told_with_the_way_its_shadow_goes() -> None:
    ways = {kind: arms_length.told(7.0, opacity(0.5, kind)) for kind in CLOUDINGS}
    assert "moves against you" in ways["corneal-scar"]
    assert "stays in its place" in ways["cortical-cataract"]
    for kind in ("nuclear-cataract", "posterior-subcapsular-cataract", "vitreous-haemorrhage"):
        assert "moves along with you" in ways[kind]
    assert arms_length.told(7.0, None) == ""
    # A light haze is no diagnosis before the answer.
    for kind in CLOUDINGS:
        said = arms_length.in_words(7.0, opacity(0.4, kind))
        assert not any(word in said for word in ("cataract", "scar", "Blood"))


def test_what_lies_about_the_whole_pupil_veils_most() -> None:
    for haze in (0.25, 0.6):
        veils = {kind: arms_length.veil(6.0, haze, opacity(haze, kind)) for kind in CLOUDINGS}
        assert veils["nuclear-cataract"] == veils["vitreous-haemorrhage"] == haze
        assert all(0.0 < veil <= haze for veil in veils.values())
    assert arms_length.veil(6.0, 0.0, None) == 0.0
    # A plaque in a small pupil is hardly to be looked past.
    plaque = opacity(0.6, "posterior-subcapsular-cataract")
    assert arms_length.veil(2.5, 0.6, plaque) > arms_length.veil(7.0, 0.6, plaque)


def test_of_the_stages_only_hazy_media_cloud_the_reflex_and_none_abolishes_it() -> None:
    assert set(CLOUDINGS) == set(OPACITIES)
    met = set()
    for number, name in enumerate(STAGES, 1):
        for k in range(40):
            drawn = conditions(number, Random(k))
            cloud = opacity(drawn.haze, drawn.clouding, drawn.cloud_seed)
            said = arms_length.in_words(drawn.pupil_mm, cloud)
            assert ("even and bright" not in said) == (name == "hazy media"), (name, drawn)
            assert "no red reflex" not in said
            if cloud is not None:
                met.add(cloud.kind)
    assert met == set(OPACITIES)


def test_a_look_from_before_there_were_kinds_has_a_cloudy_nucleus() -> None:
    stored = {"pupil_mm": 6.0, "refraction_d": 0.0, "haze": 0.4, "begins_deg": (4.0, 5.0)}
    old = Conditions(**stored)  # type: ignore[arg-type]
    cloud = opacity(old.haze, old.clouding, old.cloud_seed)
    assert cloud is not None
    assert (cloud.kind, cloud.density) == ("nuclear-cataract", 0.4)


def test_an_unknown_clouding_is_refused() -> None:
    with pytest.raises(BadInput, match="no opacity"):
        opacity(0.5, "dust")


def test_seen_from_the_temporal_side_the_pupil_stands_towards_the_nose() -> None:
    right, left = (
        arms_length.pupil_view(4.0, None, 0.45, nose_on_right=side) for side in (True, False)
    )
    # 10.4 mm about the centre of rotation, by 15 degrees.
    assert right["shift"] == pytest.approx(10.4 * math.sin(math.radians(15.0)), abs=0.01)
    assert left["shift"] == -right["shift"]
    assert right["narrow"] == pytest.approx(0.966, abs=0.001)
