"""The three things taken for peripheral pigment: never the finding, true to their own sizes."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest
from scipy import ndimage
from scipy.spatial import cKDTree
from skimage.color import rgb2lab
from skimage.measure import label, regionprops

from server.rendering import Feature, Rendering, View, draw_eye, render
from server.rendering.features import painter_of
from server.rendering.in_view import mm_per_px
from server.rendering.truth import truth

WIDE = View(60.0, (-7.0, 0.0), 320)
TEMPORAL = View(50.0, (27.0, 0.0), 400)
NASAL = View(50.0, (-28.0, 0.0), 320)

MASKS = {"laser-scars": "laser-scar", "congenital-pigment": "congenital-pigment"}
CASES = (
    ("laser-scars", "plain", WIDE),
    ("congenital-pigment", "solitary", WIDE),
    ("congenital-pigment", "solitary-nasal", NASAL),
    ("congenital-pigment", "grouped", TEMPORAL),
    ("naevus", "plain", WIDE),
)


@lru_cache(maxsize=64)
def drawn(kind: str, variant: str, severity: float, view: View, seed: int = 11) -> Rendering:
    return render(draw_eye(seed, age=60.0), (Feature(kind, variant, severity),), view)


def mask_of(rendering: Rendering, kind: str) -> np.ndarray:
    return rendering.masks[MASKS.get(kind, kind)]


@pytest.mark.parametrize(("kind", "variant", "view"), CASES)
def test_in_view_and_never_a_finding(kind: str, variant: str, view: View) -> None:
    assert painter_of(kind).mimics == "peripheral-pigment"
    for seed in (20, 21, 22):
        for severity in (painter_of(kind).floor + 0.05, 1.0):
            rendering = drawn(kind, variant, severity, view, seed)
            found = truth(rendering)
            assert found.present == ()
            assert found.borderline == ()
            assert "spicule" not in rendering.masks
            assert mask_of(rendering, kind).sum() * mm_per_px(rendering) ** 2 > 0.3  # mm2


@pytest.mark.parametrize(("kind", "variant", "view"), CASES)
def test_severity_rises_without_a_jump(kind: str, variant: str, view: View) -> None:
    twin = render(draw_eye(11, age=60.0), (), view).picture.astype(float)
    areas, changes = [], []
    for severity in (0.0, 0.02, 0.5, 1.0):
        rendering = drawn(kind, variant, severity, view)
        mask = rendering.masks.get(MASKS.get(kind, kind))
        areas.append(0 if mask is None else int(mask.sum()))
        changes.append(np.abs(rendering.picture - twin).mean())
    assert changes[0] == 0.0
    assert areas == sorted(areas)
    assert changes == sorted(changes)
    assert changes[1] < 0.12 * changes[-1]
    near = ndimage.gaussian_filter(
        drawn(kind, variant, 0.62, view).picture.astype(float)
        - drawn(kind, variant, 0.60, view).picture,
        (3, 3, 0),
    )
    assert np.abs(near).max() < 30


@pytest.mark.parametrize(("kind", "variant", "view"), CASES)
def test_vessels_keep_their_width_and_lie_on_top(kind: str, variant: str, view: View) -> None:
    twin = render(draw_eye(11, age=60.0), (), view)
    rendering = drawn(kind, variant, 0.9, view)
    for tree in ("arterioles", "venules"):
        assert (rendering.masks[tree] == twin.masks[tree]).all()
    lesion = ndimage.binary_erosion(mask_of(rendering, kind), iterations=1)
    vessel = twin.masks["arterioles"] | twin.masks["venules"]
    over = lesion & vessel
    beside = lesion & ~ndimage.binary_dilation(vessel, iterations=1)
    if over.sum() < 30 or kind == "laser-scars":
        return
    green = rendering.picture[..., 1].astype(float)
    local = ndimage.gaussian_filter(np.where(beside, green, 0.0), 4)
    weight = ndimage.gaussian_filter(beside.astype(float), 4)
    sound = over & (weight > 0.05)
    assert np.median(green[sound] - (local / np.maximum(weight, 1e-6))[sound]) < 0


def test_scars_are_round_of_a_few_sizes_and_evenly_spaced() -> None:
    # 200 to 500 um, in rows, the macula spared: values from memory.
    rendering = drawn("laser-scars", "plain", 0.5, View(40.0, (27.0, 0.0), 640))
    regions = [
        r
        for r in regionprops(label(rendering.masks["laser-scar"]))  # type: ignore[no-untyped-call]
        if r.area > 20 and r.eccentricity < 0.75 and r.solidity > 0.9
    ]
    assert len(regions) > 60
    um = np.array([r.equivalent_diameter_area for r in regions]) * mm_per_px(rendering) * 1000
    assert 200 <= np.median(um) <= 500
    # Sessions differ, but it is still the same treatment.
    assert 0.12 < um.std() / um.mean() < 0.40
    near, _ = cKDTree([r.centroid for r in regions]).query([r.centroid for r in regions], k=2)
    # Random places would have a spread of 0.52 of the mean (Clark and Evans 1954).
    assert near[:, 1].std() / near[:, 1].mean() < 0.35
    assert float(rendering.facts["laser_scar_um"]) == pytest.approx(np.median(um), rel=0.15)


def test_scars_spare_the_macula_and_carry_pigment_late() -> None:
    for severity in (0.3, 1.0):
        rendering = drawn("laser-scars", "plain", severity, WIDE)
        assert not (rendering.masks["laser-scar"] & rendering.masks["macula"]).any()
    twin = render(draw_eye(11, age=60.0), (), TEMPORAL)
    change = [
        rgb2lab(drawn("laser-scars", "plain", s, TEMPORAL).picture)[..., 0]
        - rgb2lab(twin.picture)[..., 0]
        for s in (0.3, 1.0)
    ]
    pale = drawn("laser-scars", "plain", 0.3, TEMPORAL).masks["laser-scar"]
    assert np.median(change[0][pale]) > 2
    # Gentle burns have no black in them, old ones do.
    assert (change[0] < -8).sum() < 0.1 * (change[1] < -8).sum()


def test_congenital_pigment_has_a_sharp_edge_and_a_naevus_a_soft_one() -> None:
    def edge_um(kind: str, variant: str, seed: int) -> float:
        """Width over which the darkening rises from a fifth to four fifths (median)."""
        view = View(40.0, (18.0, 0.0), 480)
        eye = draw_eye(seed, age=60.0, side="left")
        sick = render(eye, (Feature(kind, variant, 0.8),), view)
        fall = render(eye, (), view).picture[..., 0] - sick.picture[..., 0].astype(float)
        mask = mask_of(sick, kind)
        away = ndimage.distance_transform_edt(mask) - ndimage.distance_transform_edt(~mask)
        inside = np.median(fall[away > 12])
        step = np.round(away).astype(int)
        profile = np.array([np.median(fall[step == d]) for d in range(-25, 25) if d])
        rising = (profile > 0.2 * inside) & (profile < 0.8 * inside)
        return float(rising.sum()) * mm_per_px(sick) * 1000

    for seed in (11, 12, 13):
        flat = edge_um("congenital-pigment", "solitary", seed)
        soft = edge_um("naevus", "plain", seed)
        assert flat < 120
        assert soft > 1.5 * flat


def test_congenital_pigment_is_dark_and_grouped_spots_grow_outwards() -> None:
    view = View(50.0, (27.0, 0.0), 500)
    eye = draw_eye(14, side="left")
    sick = render(eye, (Feature("congenital-pigment", "grouped", 0.9),), view)
    twin = render(eye, (), view)
    mask = sick.masks["congenital-pigment"]
    dark = rgb2lab(sick.picture)[..., 0][mask] - rgb2lab(twin.picture)[..., 0][mask]
    assert np.median(dark) < -6
    spots = [r for r in regionprops(label(mask)) if r.area > 4]  # type: ignore[no-untyped-call]
    assert len(spots) >= 6
    far = [np.hypot(r.centroid[1] / 10 + 2.0, r.centroid[0] / 10 - 25.0) for r in spots]
    size = [r.equivalent_diameter_area for r in spots]
    # Smaller centrally and larger outwards (Liu 2020, review of grouped pigmentation).
    assert np.corrcoef(far, size)[0, 1] > 0.3


def test_sizes_are_those_of_clinics() -> None:
    # Naevi are usually at most 5 mm, mean 3.0 (SD 1.5) mm in one series.
    sizes = [
        float(drawn("naevus", "plain", 0.8, WIDE, seed).facts["naevus_mm"]) for seed in (20, 21, 22)
    ]
    assert min(sizes) > 1.5
    assert max(sizes) < 5.0
