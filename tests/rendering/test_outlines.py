"""Outlines against rasterising them again with Pillow, and against shapely's own geometry."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image, ImageDraw
from scipy import ndimage

from server.errors import BadInput
from server.rendering.outlines import (
    MAX_PARTS,
    MAX_POINTS,
    MIN_RADIUS,
    Region,
    contains,
    outline,
    outline_all,
)

Mask = NDArray[np.bool_]


def grid(size: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """x and y of every pixel's middle, 0 to 1000."""
    steps = (np.arange(size) + 0.5) * 1000 / size
    x, y = np.meshgrid(steps, steps)
    return x, y


def circle(size: int, x: float, y: float, radius: float) -> Mask:
    xs, ys = grid(size)
    return np.asarray(np.hypot(xs - x, ys - y) <= radius)


def raster(regions: tuple[Region, ...], size: int) -> Mask:
    """Fill the outlines again, with Pillow's polygon filling."""
    image = Image.new("1", (size, size))
    pen = ImageDraw.Draw(image)
    for region in regions:
        for ring, ink in ((region.exterior, 1), *((hole, 0) for hole in region.holes)):
            pen.polygon([(x * size / 1000 - 0.5, y * size / 1000 - 0.5) for x, y in ring], ink)
    return np.asarray(image)


def overlap(a: Mask, b: Mask) -> float:
    return float((a & b).sum() / (a | b).sum())


def points(regions: tuple[Region, ...]) -> int:
    return sum(len(r.exterior) + sum(len(hole) for hole in r.holes) for r in regions)


@pytest.mark.parametrize("size", [256, 768, 1024, 1600])
def test_an_outline_follows_the_edge_of_an_ordinary_lesion(size: int) -> None:
    rng = np.random.default_rng(size)
    rough = ndimage.gaussian_filter(rng.normal(size=(size, size)), size / 18)
    mask = np.asarray(rough > 1.3 * rough.std())
    regions = outline(mask, "atrophy")
    assert overlap(raster(regions, size), mask) > 0.90
    assert points(regions) <= MAX_POINTS


@pytest.mark.parametrize("size", [390, 1024, 2048])
def test_the_same_place_at_every_size(size: int) -> None:
    (region,) = outline(circle(size, 700, 250, 90), "naevus")
    middle = region.shape().centroid
    assert (middle.x, middle.y) == (pytest.approx(700, abs=1.5), pytest.approx(250, abs=1.5))
    assert region.shape().area == pytest.approx(math.pi * 90**2, rel=0.03)


def test_a_large_hole_stays_and_a_small_one_is_filled() -> None:
    ring = circle(1024, 500, 500, 300) & ~circle(1024, 500, 500, 150)
    (region,) = outline(ring & ~circle(1024, 500, 275, 4), "swelling-halo")
    assert len(region.holes) == 1
    hole = Region("hole", region.holes[0]).shape()
    assert hole.area == pytest.approx(math.pi * 150**2, rel=0.03)
    assert not contains((region,), 500, 500)
    assert contains((region,), 500, 500 + 150 - 20)


def test_a_speck_is_large_enough_to_see() -> None:
    mask = np.zeros((1024, 1024), bool)
    mask[300, 600] = True
    (region,) = outline(mask, "microaneurysm")
    assert region.shape().area > 0.8 * math.pi * MIN_RADIUS**2
    assert contains((region,), 600 / 1.024, 300 / 1.024, tolerance=0)


@pytest.mark.parametrize("count", [60, 400])
def test_scattered_specks_become_few_outlines_that_hold_nearly_all_of_them(count: int) -> None:
    rng = np.random.default_rng(count)
    mask = np.zeros((1024, 1024), bool)
    near = np.arange(-8, 9)
    for x, y, share in rng.uniform(size=(count, 3)):
        row, column = int(100 + 800 * y), int(100 + 800 * x)
        spot = np.hypot(near[:, None], near[None, :]) <= 2 + 5 * share
        mask[row - 8 : row + 9, column - 8 : column + 9] |= spot
    regions = outline(mask, "drusen")
    assert len(regions) <= MAX_PARTS
    assert points(regions) <= MAX_POINTS
    grown = ndimage.binary_dilation(raster(regions, 1024), iterations=8)
    assert (mask & grown).sum() / mask.sum() > 0.97


def test_salt_over_the_whole_picture_stays_bounded() -> None:
    mask = np.random.default_rng(5).random((768, 768)) > 0.98
    regions = outline(mask, "drusen")
    assert 0 < points(regions) <= MAX_POINTS
    stored = json.dumps([region.to_dict() for region in regions])
    assert len(stored) < 4096


def test_the_edge_of_the_picture_is_an_edge() -> None:
    mask = np.ones((256, 256), bool)
    (region,) = outline(mask, "haemorrhage")
    assert region.shape().area == pytest.approx(1_000_000, rel=0.001)


def test_nothing_gives_no_outline() -> None:
    assert outline(np.zeros((300, 300), bool), "drusen") == ()


def test_only_structures_worth_outlining_are_outlined() -> None:
    mask = circle(256, 500, 500, 100)
    empty = np.zeros_like(mask)
    given_masks = {"field": mask, "venules": mask, "disc": mask, "drusen": empty}
    assert list(outline_all(given_masks)) == ["disc"]


def test_pointing() -> None:
    regions = outline(circle(1024, 400, 400, 50), "scar")
    assert contains(regions, 400, 400)
    assert contains(regions, 400, 400 + 70)
    assert not contains(regions, 400, 400 + 80)
    assert contains(regions, 400, 400 + 80, tolerance=35)
    assert not contains((), 400, 400)
    with pytest.raises(BadInput, match="outside the picture"):
        contains(regions, 1001, 5)


def test_svg_path_and_storage_round_trip() -> None:
    region = Region("cup", ((1, 2), (30, 4), (5, 60)), (((10, 10), (12, 10), (11, 12)),))
    assert region.svg_path() == "M1 2L30 4L5 60ZM10 10L12 10L11 12Z"
    assert Region.from_dict(json.loads(json.dumps(region.to_dict()))) == region


@pytest.mark.parametrize(
    "stored",
    [
        {},
        {"kind": "cup", "exterior": [1, 2, 3], "holes": []},
        {"kind": "cup", "exterior": "abcdef", "holes": []},
        {"kind": "cup", "exterior": [1, 2, 3, 4, 5, 6], "holes": None},
    ],
)
def test_a_damaged_store_is_named(stored: dict[str, object]) -> None:
    with pytest.raises(BadInput, match="not a stored outline"):
        Region.from_dict(stored)


def test_bad_masks_are_named() -> None:
    with pytest.raises(BadInput, match="square"):
        outline(np.zeros((20, 30), bool), "disc")
    with pytest.raises(BadInput, match="eight points"):
        outline(np.zeros((20, 20), bool), "disc", max_points=10, max_parts=5)


@settings(max_examples=25, deadline=None)
@given(
    spots=st.lists(
        st.tuples(st.floats(0, 1000), st.floats(0, 1000), st.floats(12, 200)),
        min_size=1,
        max_size=12,
    )
)
def test_any_pixel_of_a_lesion_can_be_pointed_at(
    spots: list[tuple[float, float, float]],
) -> None:
    mask = np.zeros((200, 200), bool)
    for x, y, radius in spots:
        mask |= circle(200, x, y, radius)
    regions = outline(mask, "atrophy")
    xs, ys = grid(200)
    found = np.argwhere(mask)
    for row, column in found[:: max(1, len(found) // 40)]:
        assert contains(regions, xs[row, column], ys[row, column])
    assert all(0 <= v <= 1000 for r in regions for vertex in r.exterior for v in vertex)
