"""Peripheral pigment against published widths and places, read off masks and pictures."""

from __future__ import annotations

from functools import lru_cache
from itertools import pairwise

import numpy as np
import pytest
from scipy import ndimage
from skimage.measure import label, regionprops

from server.rendering import Feature, Rendering, View, draw_eye, render
from server.rendering.features import floor_of, painter_of
from server.rendering.in_view import mm_per_px
from server.rendering.truth import truth

KIND = "peripheral-pigment"
VARIANTS = painter_of(KIND).variants
WIDE = View(60.0, (-7.0, 0.0), 320)


@lru_cache(maxsize=64)
def drawn(variant: str, severity: float, seed: int = 11, view: View = WIDE) -> Rendering:
    return render(draw_eye(seed), (Feature(KIND, variant, severity),), view)


def from_fovea(view: View) -> np.ndarray:
    """Degrees from the fovea of every pixel of a left eye's picture."""
    offsets = ((np.arange(view.size_px) + 0.5) / view.size_px - 0.5) * view.field_deg
    x, y = np.meshgrid(offsets + view.centre_deg[0], offsets + view.centre_deg[1])
    return np.asarray(np.hypot(x, y))


@pytest.mark.parametrize("variant", VARIANTS)
def test_it_comes_with_its_signs_and_spares_the_macula(variant: str) -> None:
    rendering = drawn(variant, 0.6)
    shown = {kind for kind, mask in rendering.masks.items() if mask.any()}
    structures = {"field", "disc", "cup", "rim", "arterioles", "venules", "fovea", "macula"}
    assert shown - structures == {"spicule", "depigmentation"}
    found = truth(rendering)
    assert found.present == (KIND,)
    assert found.borderline == ()
    assert found[KIND].measure == pytest.approx(
        float(rendering.facts["spicule_area_mm2"]), rel=0.01
    )


@pytest.mark.parametrize("variant", VARIANTS)
def test_present_from_just_above_its_floor(variant: str) -> None:
    severity = floor_of(KIND, variant) + 0.03
    found = [truth(drawn(variant, severity, seed)) for seed in range(30, 34)]
    assert sum(one[KIND].present for one in found) >= 3


@pytest.mark.parametrize("variant", VARIANTS)
def test_severity_is_nested_and_rises_without_a_jump(variant: str) -> None:
    twin = render(draw_eye(11), (), WIDE).picture.astype(float)
    areas, changes, spicules = [], [], []
    for severity in (0.0, 0.02, 0.5, 1.0):
        rendering = drawn(variant, severity)
        areas.append(truth(rendering)[KIND].measure)
        changes.append(np.abs(rendering.picture - twin).mean())
        spicules.append(rendering.masks.get("spicule", np.zeros((320, 320), bool)))
    assert changes[0] == 0.0
    assert areas == sorted(areas)
    assert changes == sorted(changes)
    assert changes[1] < 0.12 * changes[-1]
    for fewer, more in pairwise(spicules):
        assert (fewer & ~more).sum() <= 0.03 * max(fewer.sum(), 1)


@pytest.mark.parametrize("severity", [0.48, 0.72])
def test_a_small_step_of_severity_is_a_small_step_of_the_picture(severity: float) -> None:
    before, after = (
        ndimage.gaussian_filter(drawn("net", s).picture.astype(float), (3, 3, 0))
        for s in (severity, severity + 0.02)
    )
    assert np.abs(after - before).max() < 15


def test_vessels_are_as_narrow_as_published() -> None:
    # Nakagawa 2014: arterioles 94.9 against 138.1 um, venules 155.6 against 215.0.
    ratios = []
    for seed in range(4):
        eye = draw_eye(seed)
        sick = render(eye, (Feature(KIND, "net", 1.0),), WIDE).facts
        twin = render(eye, (), WIDE).facts
        ratios.append(
            [float(sick[k]) / float(twin[k]) for k in ("artery_calibre_um", "vein_calibre_um")]
        )
        assert float(sick["artery_width_ratio_to_twin"]) == pytest.approx(ratios[-1][0], abs=0.02)
    artery, vein = np.mean(ratios, axis=0)
    assert artery == pytest.approx(0.69, abs=0.10)
    assert vein == pytest.approx(0.72, abs=0.10)
    assert artery <= vein


@pytest.mark.parametrize("severity", [0.5, 0.9])
def test_pigment_is_ten_times_denser_beyond_20_degrees_than_inside_10(severity: float) -> None:
    # Atlas teaching; the factor is a value from memory.
    eye = draw_eye(11, side="left")
    rendering = render(eye, (Feature(KIND, "net", severity),), WIDE)
    ecc, field = from_fovea(WIDE), rendering.masks["field"]
    spicule = rendering.masks["spicule"]
    outer = spicule[field & (ecc > 20)].mean()
    inner = spicule[field & (ecc < 10)].mean()
    assert outer > 0.005
    assert outer >= 10 * inner


def test_pigment_lies_over_the_vessels_and_along_them() -> None:
    rendering = drawn("net", 0.9)
    vessels = rendering.masks["arterioles"] | rendering.masks["venules"]
    spicule = rendering.masks["spicule"]
    both = vessels & spicule
    bare = vessels & ~ndimage.binary_dilation(spicule, iterations=3)
    outside = rendering.masks["field"] & (from_fovea(WIDE) > 16)
    assert both.sum() > 100
    red = rendering.picture[..., 0].astype(float)
    # A vessel under pigment is black-brown, not red.
    assert np.median(red[both & outside]) < 0.8 * np.median(red[bare & outside])
    # Near a vessel pigment is commoner than away from one.
    near = ndimage.binary_dilation(vessels, iterations=1) & outside
    assert spicule[near].mean() > 1.5 * spicule[outside & ~near].mean()


def test_spicules_have_arms_and_join_into_a_net() -> None:
    view = View(40.0, (27.0, 0.0), 614)
    early = drawn("net", 0.45, seed=7, view=view).masks["spicule"]
    late = drawn("net", 1.0, seed=7, view=view).masks["spicule"]
    regions = [r for r in regionprops(label(early)) if r.area >= 12]  # type: ignore[no-untyped-call]
    # Star-shaped: well short of filling their convex hull, as round scars would.
    solidity = np.array([r.solidity for r in regions])
    assert np.quantile(solidity, 0.25) < 0.62
    large = [r.area for r in regions if r.area >= 40]
    assert len(large) >= 10

    def longest_mm(mask: np.ndarray) -> float:
        sizes = [r.feret_diameter_max for r in regionprops(label(mask, connectivity=2))]  # type: ignore[no-untyped-call]
        return float(max(sizes)) * view.field_deg * 0.29 / view.size_px

    # A spicule of 0.1 to 0.5 mm (value from memory) is one knot; the mesh spans many.
    assert longest_mm(late) > 2.0
    assert longest_mm(late) > longest_mm(early)


def test_the_sector_is_one_and_the_ring_goes_round() -> None:
    for seed in (3, 5):
        eye = draw_eye(seed, side="left")
        gathered = []
        for variant in ("sector", "net"):
            mask = render(eye, (Feature(KIND, variant, 0.9),), WIDE).masks["spicule"]
            rows, columns = np.nonzero(mask)
            # About the middle of the posterior pole, between disc and fovea.
            x, y = (columns - 160) / (320 / 60) - 2.0, (rows - 160) / (320 / 60)
            # Mean resultant length: 1 in one direction, 0 evenly all round.
            gathered.append(abs(np.exp(1j * np.arctan2(y, x)).mean()))
        assert gathered[0] > 0.75
        assert gathered[1] < 0.4


def test_the_disc_is_waxy_at_first_and_pale_late_and_never_in_doubt() -> None:
    near = View(30.0, (-15.5, -1.5), 128)
    for seed in (1, 2, 3):
        for severity, pale in ((0.3, False), (0.66, False), (0.8, True), (1.0, True)):
            found = truth(drawn("net", severity, seed, near))
            assert found["pale-disc"].present is pale
            assert not found["pale-disc"].borderline
        assert not truth(drawn("sparse", 1.0, seed, near))["pale-disc"].present
    # Waxy: the disc has less blue for its green than its twin's.
    eye = draw_eye(1)
    sick, twin = drawn("net", 0.66, 1, near), render(eye, (), near)
    rim = twin.masks["rim"] & ~twin.masks["arterioles"] & ~twin.masks["venules"]
    tint = [p.picture[rim][:, 2].mean() / p.picture[rim][:, 1].mean() for p in (sick, twin)]
    assert tint[0] < tint[1]


def test_any_size_and_field_shows_the_same_net() -> None:
    small = drawn("net", 0.7).masks["spicule"]
    large = render(draw_eye(11), (Feature(KIND, "net", 0.7),), View(60.0, (-7.0, 0.0), 640))
    area = large.masks["spicule"].sum() / 4
    assert small.sum() == pytest.approx(area, rel=0.25)
    near = ndimage.binary_dilation(large.masks["spicule"], iterations=2)[1::2, 1::2]
    assert near[small].mean() > 0.97
    assert mm_per_px(large) == pytest.approx(60 * 0.29 / 640)
    left = draw_eye(11, side="left")
    wide = render(left, (Feature(KIND, "net", 0.7),), View(60.0, (-7.0, 0.0), 600))
    aside = render(left, (Feature(KIND, "net", 0.7),), View(50.0, (27.0, 0.0), 500))
    # Ten pixels to a degree in both: the shared strip is x from 2 to 20, about the horizontal.
    shared = slice(390, 570), slice(0, 180)
    a = wide.masks["spicule"][200:400, shared[0]]
    b = aside.masks["spicule"][150:350, shared[1]]
    assert a.any()
    assert (a & b).sum() > 0.9 * max(a.sum(), b.sum())
