"""The truth of rendered eyes: nothing in healthy ones, drawn findings found and outlined."""

from __future__ import annotations

import numpy as np
import pytest
from PIL import Image, ImageDraw
from scipy import ndimage

from server.rendering import FINDINGS, Feature, View, draw_eye, render
from server.rendering.features import floor_of, painters
from server.rendering.outlines import outline_all
from server.rendering.recipe import CardRecipe
from server.rendering.truth import truth
from server.rendering.visible_floors import LESION_NAMES

VIEWS = {
    "peripheral-pigment": View(60.0, (-7.0, 0.0), 320),
}
USUAL = View(45.0, (-7.0, 0.0), 320)
DRAWN = [
    (kind, variant)
    for kind, painter in painters().items()
    if kind in FINDINGS
    for variant in painter.variants
]
LOOK_ALIKES = [
    (kind, variant)
    for kind, painter in painters().items()
    if painter.mimics
    for variant in painter.variants
]


def test_healthy_eyes_have_no_finding() -> None:
    borderline = 0
    for seed in range(24):
        found = truth(render(draw_eye(seed), (), USUAL))
        assert found.present == ()
        assert set(found.borderline) <= {"enlarged-cup"}
        borderline += bool(found.borderline)
    # Crowston 2004: one healthy cup in forty lies above the 97.5th percentile.
    assert borderline <= 3


@pytest.mark.parametrize(("kind", "variant"), DRAWN)
def test_a_finding_above_its_floor_is_there(kind: str, variant: str) -> None:
    view = VIEWS.get(kind, USUAL)
    severity = min(1.0, floor_of(kind, variant) + 0.12)
    seeds = range(60, 63)
    found = [
        truth(render(draw_eye(seed, age=70.0), (Feature(kind, variant, severity),), view))
        for seed in seeds
    ]
    assert sum(one[kind].present for one in found) >= 2
    for one in found:
        assert one[kind].in_view
        if one[kind].present:
            assert one[kind].regions
            assert all(region.kind in LESION_NAMES for region in one[kind].regions)
            stored = sum(
                len(region.exterior) + sum(map(len, region.holes)) for region in one[kind].regions
            )
            assert stored < 1500


@pytest.mark.parametrize(("kind", "variant"), LOOK_ALIKES)
def test_a_look_alike_is_not_what_it_mimics(kind: str, variant: str) -> None:
    mimics = painters()[kind].mimics
    view = VIEWS.get(mimics, USUAL)
    for seed in range(60, 62):
        found = truth(render(draw_eye(seed, age=40.0), (Feature(kind, variant, 0.9),), view))
        assert not found[mimics].present
        assert not found[mimics].borderline


@pytest.mark.parametrize("kind", [name for name in FINDINGS if name in painters()])
def test_outlines_hold_what_the_masks_show(kind: str) -> None:
    view = VIEWS.get(kind, USUAL)
    rendering = render(draw_eye(71, age=70.0), (Feature(kind, "", 0.9),), view)
    size = view.size_px
    for name, regions in outline_all(rendering.masks).items():
        image = Image.new("1", (size, size))
        pen = ImageDraw.Draw(image)
        for region in regions:
            for ring, ink in ((region.exterior, 1), *((hole, 0) for hole in region.holes)):
                pen.polygon([(x * size / 1000 - 0.5, y * size / 1000 - 0.5) for x, y in ring], ink)
        inside = ndimage.binary_dilation(np.asarray(image), iterations=2)
        mask = rendering.masks[name]
        assert (inside & mask).sum() / mask.sum() > 0.93, name
        # Small structures are outlined larger than they are, so that they can be seen.
        if name in ("disc", "cup", "fovea") and mask.sum() > 800:
            both = (np.asarray(image) & mask).sum() / (np.asarray(image) | mask).sum()
            assert both > 0.93, name


def test_a_card_draws_what_it_says_at_any_size() -> None:
    card = CardRecipe.from_dict(
        {
            "id": "atrophy",
            "kind": "finding",
            "view": "macula",
            "features": [{"kind": "macular-change", "variant": "atrophy", "severity": [0.5, 0.6]}],
            "age": [70, 80],
        },
        {"macula": View(45.0, (0.0, 0.0))},
    )
    small, large = (card.draw(5, size) for size in (256, 768))
    areas = [truth(render(d.eye, d.features, d.view))["macular-change"] for d in (small, large)]
    assert areas[0].present
    assert areas[0].measure == pytest.approx(areas[1].measure, rel=0.12)
