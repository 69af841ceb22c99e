"""Macular lesions against the trade's measures, read off masks and pictures independently."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage
from skimage.color import rgb2lab
from skimage.measure import label, regionprops

from server.rendering import Feature, Rendering, View, draw_eye, render
from server.rendering.eye import MM_PER_DEGREE
from server.rendering.features import floor_of, painter_of
from server.rendering.in_view import mm_per_px
from server.rendering.truth import truth

KIND = "macular-change"
VARIANTS = painter_of(KIND).variants
MACULA = View(45.0, (0.0, 0.0), 400)
LESIONS = {
    "hard-drusen": {"drusen"},
    "soft-drusen": {"drusen"},
    "pigment-clumps": {"drusen", "pigment-clump"},
    "atrophy": {"drusen", "atrophy"},
    "wet": {"drusen", "membrane", "subretinal-fluid", "subretinal-blood", "exudate"},
    "scar": {"drusen", "scar", "pigment-clump"},
    "diabetic-exudate": {"exudate", "microaneurysm", "haemorrhage"},
}


def drawn(variant: str, severity: float, seed: int = 11, view: View = MACULA) -> Rendering:
    return render(draw_eye(seed, age=74.0), (Feature(KIND, variant, severity),), view)


@pytest.mark.parametrize("variant", VARIANTS)
def test_every_variant_shows_its_own_lesions_and_only_a_macular_change(variant: str) -> None:
    rendering = drawn(variant, 1.0)
    shown = {kind for kind, mask in rendering.masks.items() if mask.any()}
    structures = {"field", "disc", "cup", "rim", "arterioles", "venules", "fovea", "macula"}
    assert shown - structures == LESIONS[variant]
    assert truth(rendering).present == (KIND,)


@pytest.mark.parametrize("variant", VARIANTS)
def test_present_from_just_above_its_floor(variant: str) -> None:
    severity = floor_of(KIND, variant) + 0.05
    found = [truth(drawn(variant, severity, seed)) for seed in range(30, 33)]
    assert sum(one[KIND].present for one in found) >= 2


@pytest.mark.parametrize("variant", VARIANTS)
def test_severity_is_nested_and_rises_without_a_jump(variant: str) -> None:
    twin = render(draw_eye(11, age=74.0), (), MACULA).picture.astype(float)
    areas, changes = [], []
    for severity in (0.0, 0.02, 0.35, 0.7, 1.0):
        rendering = drawn(variant, severity)
        areas.append(truth(rendering)[KIND].measure)
        changes.append(np.abs(rendering.picture - twin).mean())
    assert changes[0] == 0.0
    assert areas == sorted(areas)
    assert changes == sorted(changes)
    # Hardly anything has begun at 0.02: no switch-on.
    assert changes[1] < 0.12 * changes[-1]


@pytest.mark.parametrize("variant", ["hard-drusen", "soft-drusen"])
def test_a_small_step_of_severity_is_a_small_step_of_the_picture(variant: str) -> None:
    pictures = [
        ndimage.gaussian_filter(drawn(variant, severity).picture.astype(float), (3, 3, 0))
        for severity in (0.48, 0.50)
    ]
    assert np.abs(pictures[1] - pictures[0]).max() < 25


def diameters_um(rendering: Rendering) -> np.ndarray:
    """Equivalent diameters of the separate drusen, by scikit-image."""
    return blob_diameters_um(rendering, "drusen")


def blob_diameters_um(rendering: Rendering, kind: str) -> np.ndarray:
    regions = regionprops(label(rendering.masks[kind]))  # type: ignore[no-untyped-call]
    size = np.array([region.equivalent_diameter_area for region in regions])
    return size * mm_per_px(rendering) * 1000


def test_druse_sizes_match_their_class() -> None:
    # Small < 63, medium 63-124, large >= 125 um: AREDS report 18; NICE NG82.
    near = View(22.0, (0.0, 0.0), 1024)
    hard = drawn("hard-drusen", 0.35, view=near)
    found = diameters_um(hard)
    assert np.median(found) < 63
    assert hard.facts["drusen_size_class"] in ("small", "medium")
    assert found.max() < 125
    early = drawn("soft-drusen", 0.30, view=near)
    assert early.facts["drusen_size_class"] == "large"
    assert diameters_um(early).max() == pytest.approx(
        float(early.facts["largest_druse_um"]), rel=0.35
    )
    late = drawn("soft-drusen", 1.0, view=near)
    assert diameters_um(late).max() > 500  # run together


def test_drusen_are_lighter_than_their_surroundings_under_every_camera() -> None:
    from server.rendering.camera import CAMERAS

    for camera in CAMERAS:
        eye = draw_eye(17, age=70.0, camera=camera)
        sick = render(eye, (Feature(KIND, "hard-drusen", 0.8),), MACULA)
        twin = render(eye, (), MACULA)
        where = ndimage.binary_erosion(sick.masks["drusen"]) | sick.masks["drusen"]
        where &= ~sick.masks["arterioles"] & ~sick.masks["venules"]
        lab_sick, lab_twin = rgb2lab(sick.picture)[where], rgb2lab(twin.picture)[where]
        rise = np.median(lab_sick - lab_twin, axis=0)
        assert rise[0] > 3, camera
        # Yellow-white, not green: redness may fall but the hue stays warm.
        assert np.median(lab_sick[:, 1]) > -2, camera


@pytest.mark.parametrize("seed", [11, 23])
def test_atrophy_is_large_sharp_and_shows_vessels(seed: int) -> None:
    # >= 175 um, sharp edge (here <= 60 um wide), choroidal vessels inside:
    # reading-centre definition; NICE NG82.
    early = drawn("atrophy", 0.22, seed, View(30.0, (0.0, 0.0), 1024))
    assert blob_diameters_um(early, "atrophy").max() >= 175

    eye = draw_eye(seed, age=74.0, quality=1.0)
    near = View(22.0, (0.0, 0.0), 1024)
    late = render(eye, (Feature(KIND, "atrophy", 0.8),), near)
    twin = render(eye, (), near)
    gain = late.picture[..., 1].astype(float) / np.maximum(twin.picture[..., 1], 1)
    inside = ndimage.distance_transform_edt(late.masks["atrophy"])
    outside = ndimage.distance_transform_edt(~late.masks["atrophy"])
    reach = 0.060 / mm_per_px(late)
    far_in = np.median(gain[(inside > reach) & (inside < 3 * reach)])
    # Drusen near the border would blur it: the median ignores them.
    far_out = np.median(gain[(outside > reach) & (outside < 3 * reach)])
    just_in = np.median(gain[(inside > 0.5 * reach) & (inside <= reach)])
    assert far_in > 1.15
    assert just_in - far_out > 0.75 * (far_in - far_out)
    patch = ndimage.binary_erosion(late.masks["atrophy"], iterations=int(2 * reach))
    clear = patch & ~late.masks["arterioles"] & ~late.masks["venules"]
    # Vessels are stripes 100 to 300 um wide; the fovea's own dip is wider.
    stripes, calm = (_stripes(r.picture[..., 1], mm_per_px(r)) for r in (late, twin))
    assert stripes[clear].std() > 1.5 * calm[clear].std()


def _stripes(channel: np.ndarray, mm: float) -> np.ndarray:
    fine = ndimage.gaussian_filter(channel.astype(float), 0.03 / mm)
    return np.asarray(fine - ndimage.gaussian_filter(channel.astype(float), 0.25 / mm))


def test_blood_is_dark_in_green_and_keeps_some_red() -> None:
    # Haemoglobin absorbs green two orders more than red beyond 600 nm (Prahl's tables).
    eye = draw_eye(11, age=74.0, quality=1.0)
    wet = render(eye, (Feature(KIND, "wet", 1.0),), View(22.0, (0.0, 0.0), 1024))
    twin = render(eye, (), View(22.0, (0.0, 0.0), 1024))
    core = ndimage.binary_erosion(wet.masks["subretinal-blood"], iterations=12)
    left = wet.picture[core].mean(axis=0) / twin.picture[core].mean(axis=0)
    assert left[1] < 0.55
    assert left[0] > left[1] + 0.15


def test_vessels_of_the_retina_pass_in_front_of_a_scar() -> None:
    over, beside = [], []
    for seed in range(40, 53):
        scar = drawn("scar", 1.0, seed, View(30.0, (0.0, 0.0), 700))
        vessels = scar.masks["arterioles"] | scar.masks["venules"]
        within = ndimage.binary_erosion(scar.masks["scar"], iterations=6)
        within &= ~ndimage.binary_dilation(scar.masks["pigment-clump"], iterations=4)
        near = ndimage.binary_dilation(vessels, iterations=9)
        near &= ~ndimage.binary_dilation(vessels, iterations=3)
        green = scar.picture[..., 1].astype(float)
        core = ndimage.distance_transform_edt(vessels) >= 1.5
        over += green[core & within].tolist()
        beside += green[near & within].tolist()
    assert len(over) > 100
    assert np.mean(over) < np.mean(beside) - 5


def test_the_place_is_the_macula() -> None:
    for variant in VARIANTS:
        rendering = drawn(variant, 1.0)
        united = np.zeros_like(rendering.masks["field"])
        for kind in LESIONS[variant]:
            united |= rendering.masks[kind]
        rows, columns = np.nonzero(united)
        away = np.hypot(rows - 199.5, columns - 199.5) * mm_per_px(rendering)
        # Two disc diameters of 1.8 mm: where macular degeneration is graded (Beckman, from memory).
        assert away.max() < 3.8
        assert np.median(away) < 2.2


@pytest.mark.parametrize("kind", ["foveal-sheen", "dark-fovea", "macular-mottling"])
def test_look_alikes_change_the_macula_and_are_not_a_finding(kind: str) -> None:
    assert painter_of(kind).mimics == KIND
    eye = draw_eye(12, age=25.0)
    twin = render(eye, (), MACULA)
    seen = render(eye, (Feature(kind, "", 1.0),), MACULA)
    found = truth(seen)
    assert found.present == ()
    assert found.borderline == ()
    within = twin.masks["macula"]
    change = np.abs(seen.picture.astype(float) - twin.picture)[within].mean()
    assert change > 1.0
    none = render(eye, (Feature(kind, "", 0.0),), MACULA)
    assert np.array_equal(none.picture, twin.picture)


def test_a_dark_fovea_stays_round_and_gradual() -> None:
    eye = draw_eye(12, age=30.0, quality=1.0)
    seen = render(eye, (Feature("dark-fovea", "", 1.0),), MACULA)
    twin = render(eye, (), MACULA)
    darker = ndimage.gaussian_filter(twin.picture[..., 1].astype(float), 2)
    darker -= ndimage.gaussian_filter(seen.picture[..., 1].astype(float), 2)
    centre = 0.5 / MM_PER_DEGREE / 45 * 400
    y, x = np.ogrid[:400, :400]
    assert darker[np.hypot(x - 199.5, y - 199.5) < centre].mean() > 5
    steps = np.hypot(*np.gradient(darker))
    assert steps.max() < 4
