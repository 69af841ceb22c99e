"""The relief of rendered eyes against published volumes and depths, and its own masks."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest
from scipy import ndimage

from server.errors import BadInput
from server.optics.focus import lens_map_d
from server.optics.reduced_eye import PatientEye
from server.optics.relief import MM_PER_DEGREE, relief
from server.rendering import Feature, Rendering, View, draw_eye, render
from server.rendering import eye as eye_module
from server.rendering.eye import Side

DISC = View(30.0, (-15.5, -1.5), 320)
MM2 = (30.0 * MM_PER_DEGREE / 320) ** 2
SEEDS = (12, 31, 104, 7)
# Severity in the middle of each stage of swelling, as the cards use them.
STAGES = {1: 0.3, 2: 0.5, 3: 0.7, 4: 0.9}


@lru_cache(maxsize=64)
def shown(seed: int, kind: str, variant: str, severity: float, side: Side = "left") -> Rendering:
    eye = draw_eye(seed, side=side, quality=1.0)
    return render(eye, (Feature(kind, variant, severity),), DISC)


def heights(rendering: Rendering) -> np.ndarray:
    drawn = {feature.kind: feature.severity for feature in rendering.features}
    return relief(rendering.masks, rendering.facts, rendering.view.field_deg, drawn)


def test_a_degree_is_the_renderers() -> None:
    assert MM_PER_DEGREE == eye_module.MM_PER_DEGREE


def test_swelling_has_the_volume_of_its_stage() -> None:
    # Wang and others 2012, total retinal volume by Frisén grade 0 to 4 (mean, SD, mm3).
    published = {0: (11.36, 0.56), 1: (12.53, 1.21), 2: (14.42, 2.11)}
    published |= {3: (17.48, 2.63), 4: (21.81, 3.16)}
    for stage, severity in STAGES.items():
        volumes = []
        for seed in SEEDS:
            eye = shown(seed, "swollen-margin", "plain", severity)
            assert eye.facts["frisen_stage_whole"] == stage
            up = heights(eye)
            volumes.append(float(up[up > 0].sum()) * MM2)
        excess = published[stage][0] - published[0][0]
        assert np.mean(volumes) == pytest.approx(excess, abs=0.6 * published[stage][1]), stage


@pytest.mark.parametrize("seed", SEEDS[:2])
def test_swelling_rises_with_severity_and_lies_where_the_picture_shows_it(seed: int) -> None:
    peaks = []
    for severity in (0.2, 0.35, 0.5, 0.65, 0.8, 0.95):
        eye = shown(seed, "swollen-margin", "plain", severity)
        up = heights(eye)
        peaks.append(float(up.max()))
        swollen = eye.masks["swelling-halo"] | eye.masks["disc"]
        away_mm = ndimage.distance_transform_edt(~swollen) * MM2**0.5
        # A mask ends where the eye can tell the swelling; the slope goes on a little.
        assert float(np.percentile(away_mm[up > 0.5 * up.max()], 95)) < 0.3
        assert float(np.abs(up[away_mm > 0.6]).max()) < 0.02
    assert peaks == sorted(peaks)
    # Marked papilloedema is read as 3 to 5 D (common practice, no source).
    needed = lens_map_d(np.array([0.0, peaks[-1]]), PatientEye(), 25.0)
    assert 3.0 <= needed[1] - needed[0] <= 5.0


def test_a_cup_is_as_deep_as_tomography_finds() -> None:
    # Glaucoma of ratios 0.7 to 0.8: mean depth 200 +- 90 um below a plane (tomography of 40
    # eyes), the plane 0.2 to 0.3 mm under the surface (value from memory).
    depths = []
    for seed in SEEDS:
        eye = shown(seed, "enlarged-cup", "concentric", 0.35)
        assert 0.65 <= float(eye.facts["cup_disc_ratio_vertical"]) <= 0.85
        depths.append(-float(heights(eye)[eye.masks["cup"]].mean()))
    assert 0.35 <= np.mean(depths) <= 0.55
    assert max(depths) < 0.65


@pytest.mark.parametrize("seed", SEEDS[:2])
def test_a_cup_deepens_with_its_ratio_and_only_within_itself(seed: int) -> None:
    floors = []
    for severity in (0.0, 0.3, 0.6, 1.0):
        eye = shown(seed, "enlarged-cup", "inferior-notch", severity)
        down = heights(eye)
        assert (down[~eye.masks["cup"]] == 0.0).all()
        floors.append(float(down.min()))
    assert floors == sorted(floors, reverse=True)
    # Deep cups are focused 1 to 2.5 D more minus than the retina (common practice, no source).
    needed = lens_map_d(np.array([0.0, floors[-1]]), PatientEye(), 25.0)
    assert -2.5 <= needed[1] - needed[0] <= -1.0


def test_look_alikes_raise_the_disc_a_little() -> None:
    for kind in ("crowded-disc", "disc-drusen", "tilted-disc"):
        eye = shown(31, kind, "plain", 0.8)
        up = heights(eye)
        ring = eye.masks["disc"] & ~eye.masks["cup"]
        assert 0.1 <= float(np.percentile(up[ring], 90)) <= 0.7, kind


def test_the_tilted_disc_stands_up_away_from_its_crescent() -> None:
    eye = shown(31, "tilted-disc", "plain", 0.9)
    disc, crescent = eye.masks["disc"], eye.masks["crescent"]
    middle = np.array(ndimage.center_of_mass(disc))
    towards = np.array(ndimage.center_of_mass(crescent)) - middle
    rows, columns = np.nonzero(disc & ~eye.masks["cup"])
    along = (rows - middle[0]) * towards[0] + (columns - middle[1]) * towards[1]
    assert np.corrcoef(along, heights(eye)[rows, columns])[0, 1] < -0.5


def test_a_right_eyes_relief_is_the_mirror_image() -> None:
    left = shown(12, "swollen-margin", "plain", 0.6, "left")
    right = shown(12, "swollen-margin", "plain", 0.6, "right")
    assert heights(right)[:, ::-1] == pytest.approx(heights(left), abs=1e-5)


def test_size_of_picture_does_not_matter() -> None:
    eye = draw_eye(31, side="left", quality=1.0)
    features = (Feature("swollen-margin", "plain", 0.7),)
    small, large = (
        heights(render(eye, features, View(30.0, (-15.5, -1.5), size))) for size in (160, 320)
    )
    pooled = large.reshape(160, 2, 160, 2).mean(axis=(1, 3))
    assert float(np.abs(pooled - small).mean()) < 0.02


def test_masks_are_needed_and_agree() -> None:
    empty = np.zeros((8, 8), bool)
    assert (relief({"disc": empty, "cup": empty}, {}, 30.0) == 0).all()
    with pytest.raises(BadInput, match="cup"):
        relief({"disc": empty}, {}, 30.0)
    with pytest.raises(BadInput, match="shape"):
        relief({"disc": empty, "cup": np.zeros((9, 9), bool)}, {}, 30.0)
    with pytest.raises(BadInput, match="field"):
        relief({"disc": empty, "cup": empty}, {}, 0.0)
