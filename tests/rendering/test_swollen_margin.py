"""The swollen margin against the modified Frisén scale, read off the pictures.

The scale: Frisén 1982; modified scale as given in Neuro-Ophthalmology 2023 (PMC10332214). A
stretch of vessel counts as
hidden below 0.3 of the contrast it should have (derived from the scale; the cut-off is our own).
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage

from server.rendering import render
from server.rendering.eye import Eye, Feature, Rendering, View
from server.rendering.findings import swollen_margin
from server.rendering.findings.swollen_margin.stages import Signs, graded, progress
from server.rendering.population import draw_eye
from server.rendering.truth import truth

KIND = "swollen-margin"
SMALL = View(30.0, (-15.5, -1.5), 128)
DISC = View(30.0, (-15.5, -1.5), 480)
SEEDS = (12, 31, 104)
# One severity in the middle of each stage, as the cards use them.
STAGES = {1: 0.25, 2: 0.45, 3: 0.65, 4: 0.85, 5: 0.97}


@lru_cache(maxsize=64)
def swollen(seed: int, severity: float, variant: str = "plain", view: View = SMALL) -> Rendering:
    """Render a left eye, clear and evenly lit."""
    eye = draw_eye(seed, side="left", quality=1.0)
    return render(eye, (Feature(KIND, variant, severity),), view)


def halo_by_angle(shown: Rendering, twin: Rendering) -> NDArray[np.bool_]:
    """Which of 360 directions from the healthy disc's centre meet the halo outside it."""
    disc = twin.masks["disc"]
    row, column = ndimage.center_of_mass(disc)
    rows, columns = np.nonzero(shown.masks["swelling-halo"] & ~disc)
    angle = np.degrees(np.arctan2(rows - row, columns - column)).astype(int) % 360
    counts = np.bincount(angle, minlength=360)
    # A ray at this size of picture may slip between two pixels.
    return np.asarray(ndimage.maximum_filter1d(counts, 5, mode="wrap") > 0)


@pytest.mark.parametrize("seed", SEEDS)
def test_the_halo_opens_temporally_at_stage_1_and_closes_at_stage_2(seed: int) -> None:
    twin = swollen(seed, 0.0)
    assert "swelling-halo" not in twin.masks
    first = halo_by_angle(swollen(seed, STAGES[1]), twin)
    # Frisén: a C of 180 to 330 degrees; direction 0 is temporal in a left eye.
    assert 180 <= first.sum() <= 330
    gap = np.flatnonzero(~first)
    centre = np.degrees(np.angle(np.exp(1j * np.radians(gap)).sum()))
    assert abs(centre) < 40
    assert not first[0]
    for stage in (2, 3, 4, 5):
        assert halo_by_angle(swollen(seed, STAGES[stage]), twin).sum() == 360


def test_the_stage_is_what_was_asked_for_in_many_eyes() -> None:
    for seed in range(200, 207):
        for stage in (1, 2, 3, 4, 5):
            facts = swollen(seed, STAGES[stage]).facts
            assert facts["frisen_stage_whole"] == stage, (seed, stage, facts)
            assert stage <= float(facts["frisen_stage"]) < stage + 1


def green_contrast(picture: NDArray[np.uint8]) -> NDArray[np.float64]:
    """Contrast of dark lines against the tissue beside them (grey closing, 8-bit green)."""
    green = ndimage.gaussian_filter(picture[..., 1].astype(float), 1.0)
    beside = ndimage.grey_closing(green, size=(23, 23))
    return np.asarray(1 - green / np.maximum(beside, 1))


def hidden_on_and_off(
    monkeypatch: pytest.MonkeyPatch, seed: int, severity: float
) -> tuple[float, float]:
    """Areas (square degrees) of wide vessel that lost 70% of contrast, on and off the disc.

    What the contrast should be is measured on the same picture painted with nothing over
    the vessels.
    """
    eye = draw_eye(seed, side="left", quality=1.0)
    feature = (Feature(KIND, "plain", severity),)
    shown = render(eye, feature, DISC)
    with monkeypatch.context() as patch:
        patch.setattr(swollen_margin, "paint_over_vessels", lambda *_: None)
        bare = render(eye, feature, DISC)
    healthy = render(eye, (), DISC).masks["disc"]
    vessels = bare.masks["arterioles"] | bare.masks["venules"]
    wide = vessels & (ndimage.distance_transform_edt(vessels) >= 2.0)
    away = ndimage.distance_transform_edt(~healthy) * DISC.field_deg / DISC.size_px
    expected, seen = green_contrast(bare.picture), green_contrast(shown.picture)
    wide &= (expected > 0.12) & (away < 3.5)
    hidden = wide & (seen < 0.3 * expected)
    # Specks are noise; a hidden stretch is at least as long as the vessel is wide.
    hidden = ndimage.binary_opening(hidden, np.ones((3, 3)))
    scale = (DISC.field_deg / DISC.size_px) ** 2
    return float((hidden & healthy).sum()) * scale, float((hidden & ~healthy).sum()) * scale


@pytest.mark.parametrize("seed", SEEDS)
def test_vessels_sink_where_and_when_the_scale_says(
    monkeypatch: pytest.MonkeyPatch, seed: int
) -> None:
    on2, off2 = hidden_on_and_off(monkeypatch, seed, STAGES[2])
    on3, off3 = hidden_on_and_off(monkeypatch, seed, STAGES[3])
    on4, off4 = hidden_on_and_off(monkeypatch, seed, STAGES[4])
    # A stretch twice as long as a vein is wide (0.28 x 0.14 degrees and more) counts as hidden.
    assert max(on2, off2) < 0.03, "no major vessel is hidden at stage 2"
    assert off3 > 0.04, "a stretch is hidden as it leaves the disc at stage 3"
    assert on3 < 0.03, "none is hidden on the disc at stage 3"
    assert on4 > 0.04, "a stretch is hidden on the disc at stage 4"
    assert off4 >= off3


def test_every_major_vessel_is_partly_hidden_at_stage_5_only() -> None:
    for seed in SEEDS:
        fourth, fifth = swollen(seed, STAGES[4]).facts, swollen(seed, STAGES[5]).facts
        assert fourth["hidden_vessels_leaving"] < fourth["major_vessels"]  # type: ignore[operator]
        assert fifth["hidden_vessels_leaving"] == fifth["major_vessels"]


@pytest.mark.parametrize("variant", ["plain", "haemorrhagic"])
def test_all_measures_run_one_way(variant: str) -> None:
    grid = np.linspace(0, 1, 13)
    shown = [swollen(31, float(s), variant) for s in grid]
    stage = [float(r.facts.get("frisen_stage", 0)) for r in shown]
    assert np.all(np.diff(stage) >= 0)
    assert stage[0] == 0
    assert stage[-1] == 5
    halo = [float(r.masks.get("swelling-halo", np.zeros(1)).sum()) for r in shown]
    assert np.all(np.diff(halo) >= 0)
    cup = [float(r.facts["cup_disc_ratio_vertical"]) for r in shown]
    assert np.all(np.diff(cup) <= 1e-3)
    # The cup is kept at first and filled at stage 4 (Frisén 1982).
    assert cup[5] > 0.95 * cup[0]
    assert cup[-3] < 0.2
    vein = np.array([float(r.facts["vein_calibre_um"]) for r in shown])
    assert np.all(np.diff(vein) > -0.02 * vein[0])
    assert 1.1 <= vein[-1] / vein[0] <= 1.3
    blood = [float(r.masks.get("haemorrhage", np.zeros(1)).sum()) for r in shown]
    assert (blood[-1] > 0) == (variant == "haemorrhagic")


def test_plain_swelling_shows_no_blood_or_white_spots() -> None:
    masks = swollen(12, 0.9, "plain").masks
    assert not {"haemorrhage", "cotton-wool-spot", "exudate"} & set(masks)


@pytest.mark.parametrize("variant", ["plain", "haemorrhagic"])
def test_severity_0_is_the_healthy_twin_to_the_pixel(variant: str) -> None:
    eye = draw_eye(77)
    twin = render(eye, (), SMALL)
    nothing = render(eye, (Feature(KIND, variant, 0.0),), SMALL)
    assert np.array_equal(twin.picture, nothing.picture)
    assert twin.masks.keys() == nothing.masks.keys()
    for name, mask in twin.masks.items():
        assert np.array_equal(mask, nothing.masks[name])


@pytest.mark.parametrize("variant", ["plain", "haemorrhagic"])
def test_small_steps_of_severity_are_small_steps_in_the_picture(variant: str) -> None:
    def soft(severity: float) -> NDArray[np.float64]:
        picture = swollen(12, severity, variant).picture.astype(float)
        return np.asarray(ndimage.gaussian_filter(picture, (2, 2, 0)))

    assert np.abs(soft(0.01) - soft(0.0)).max() <= 2.5
    for severity in (0.08, 0.2, 0.4, 0.6, 0.8, 0.92):
        change = np.abs(soft(severity + 0.02) - soft(severity))
        # Of 255; the field as a whole hardly moves, and no place jumps.
        assert change.max() < 24
        assert change.mean() < 1.0


def test_the_stage_does_not_depend_on_the_size_of_the_picture() -> None:
    eye = draw_eye(9)
    feature = (Feature(KIND, "haemorrhagic", 0.7),)
    names = ("frisen_stage", "halo_arc_deg", "hidden_vessels_leaving", "hidden_vessels_on_disc")
    views = (View(30.0, (-15.5, -1.5), 96), View(45.0, (-7.0, 0.0), 256))
    small, large = (render(eye, feature, view).facts for view in views)
    for name in names:
        assert small[name] == pytest.approx(large[name])


def test_truth_finds_the_swelling_and_nothing_else() -> None:
    for seed in (301, 302, 303):
        for variant in ("plain", "haemorrhagic"):
            eye: Eye = draw_eye(seed)
            shown = render(eye, (Feature(KIND, variant, 0.7),), View(45.0, (-7.0, 0.0), 200))
            judged = truth(shown)
            assert judged.present == (KIND,)
            assert judged.borderline == ()
            assert judged[KIND].measure == pytest.approx(
                float(shown.facts["frisen_stage"]), abs=1e-3
            )
            kinds = {region.kind for region in judged[KIND].regions}
            assert "swelling-halo" in kinds
            assert ("haemorrhage" in kinds) == (variant == "haemorrhagic")


def test_grading_follows_the_scale() -> None:
    assert [progress(s) for s in (0.0, 0.2, 0.4, 0.6, 0.8, 0.93)] == [0, 1, 2, 3, 4, 5]
    # Each stage counts only with those before it: vessels hidden behind an open C are stage 1.
    assert Signs(250, 8, 3, 2, 4).stage == 1
    assert Signs(360, 8, 0, 2, 2).stage == 2
    assert Signs(360, 8, 3, 0, 3).stage == 3
    assert Signs(360, 8, 3, 2, 4).stage == 4
    assert Signs(360, 8, 8, 2, 8).stage == 5
    # The label never claims more than the picture shows.
    assert graded(Signs(360, 8, 0, 0, 0), 3.6) < 3
    assert graded(Signs(360, 8, 1, 0, 1), 2.7) == 3
