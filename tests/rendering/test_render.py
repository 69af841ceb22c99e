"""A whole rendering: the same eye everywhere, the healthy twin, mirrors, refusals."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from server.errors import BadInput
from server.rendering import Feature, View, draw_eye, render
from server.rendering.features import Painter, floor_of, painters, register, resolve
from server.rendering.scene import MASK_NAMES, Scene

VIEW = View(45.0, (-7.0, 0.0), 256)


def test_same_seed_same_picture() -> None:
    first, again = render(draw_eye(5), (), VIEW), render(draw_eye(5), (), VIEW)
    assert np.array_equal(first.picture, again.picture)
    assert first.masks.keys() == again.masks.keys()
    assert all(np.array_equal(first.masks[k], again.masks[k]) for k in first.masks)
    assert first.facts == again.facts
    other = render(draw_eye(6), (), VIEW)
    assert np.abs(first.picture.astype(int) - other.picture.astype(int)).mean() > 5


def test_picture_and_masks_have_their_shapes() -> None:
    r = render(draw_eye(5), (), VIEW)
    assert r.picture.shape == (256, 256, 3)
    assert r.picture.dtype == np.uint8
    for name, mask in r.masks.items():
        assert name in MASK_NAMES
        assert mask.shape == (256, 256)
        assert mask.dtype == bool
        assert not (mask & ~r.masks["field"]).any()
    always = {"field", "disc", "cup", "rim", "arterioles", "venules", "fovea", "macula"}
    assert always <= r.masks.keys()
    assert r.masks["macula"].sum() > 10 * r.masks["fovea"].sum()


@pytest.mark.parametrize("seed", [1, 8])
def test_any_size_shows_the_same_eye(seed: int) -> None:
    eye = draw_eye(seed)
    small = render(eye, (), View(45.0, (-7.0, 0.0), 400))
    large = render(eye, (), View(45.0, (-7.0, 0.0), 800))
    reduced = large.picture.reshape(400, 2, 400, 2, 3).mean(axis=(1, 3))
    inside = small.masks["field"]
    difference = np.abs(reduced - small.picture)[inside]
    assert difference.mean() < 3.0
    halved = large.masks["disc"].reshape(400, 2, 400, 2).mean(axis=(1, 3)) > 0.5
    both = (halved & small.masks["disc"]).sum() / (halved | small.masks["disc"]).sum()
    assert both > 0.97


def test_another_field_shows_the_same_retina() -> None:
    eye = replace(draw_eye(4), side="left", quality=1.0)
    wide = render(eye, (), View(60.0, (-7.0, 0.0), 600))
    near = render(eye, (), View(30.0, (-15.0, 0.0), 300))
    # Both have ten pixels a degree: the near field starts 15 degrees in and down.
    cut = wide.picture[150:450, 70:370].astype(float)
    core = np.s_[60:240, 60:240]
    a, b = cut[core].mean(axis=2), near.picture[core].astype(float).mean(axis=2)
    assert np.corrcoef(a.ravel(), b.ravel())[0, 1] > 0.93


@pytest.mark.parametrize("kind", sorted(painters()))
def test_severity_zero_is_the_healthy_twin(kind: str) -> None:
    eye = draw_eye(21)
    twin = render(eye, (), View(45.0, (-7.0, 0.0), 128))
    for variant in painters()[kind].variants:
        r = render(eye, (Feature(kind, variant, 0.0),), View(45.0, (-7.0, 0.0), 128))
        assert np.array_equal(r.picture, twin.picture)
        assert r.masks.keys() == twin.masks.keys()
        assert all(np.array_equal(r.masks[k], twin.masks[k]) for k in twin.masks)
        assert r.facts == twin.facts


@pytest.mark.parametrize("kind", sorted(painters()))
def test_a_feature_starts_from_nothing(kind: str) -> None:
    eye = draw_eye(22)
    view = View(60.0, (-7.0, 0.0), 192)
    twin = render(eye, (), view).picture.astype(float)
    for variant in painters()[kind].variants:
        faint = render(eye, (Feature(kind, variant, 0.004),), view).picture.astype(float)
        blocks = np.abs(faint - twin).reshape(48, 4, 48, 4, 3).mean(axis=(1, 3))
        assert blocks.max() < 12, (kind, variant)


def test_left_and_right_are_mirrors() -> None:
    left = render(replace(draw_eye(3), side="left"), (), VIEW)
    right = render(replace(draw_eye(3), side="right"), (), VIEW)
    assert np.array_equal(left.picture[:, ::-1], right.picture)
    for name in left.masks:
        assert np.array_equal(left.masks[name][:, ::-1], right.masks[name])
    assert left.facts == right.facts


def test_disc_lies_on_the_side_of_the_eye() -> None:
    # Row 1: a right eye's photograph has the disc on the right; sides 45-55%.
    for seed in range(6):
        eye = draw_eye(seed)
        r = render(eye, (), View(45.0, (-7.0, 0.0), 96))
        disc, fovea = (np.nonzero(r.masks[k])[1].mean() for k in ("disc", "fovea"))
        assert (disc > fovea) == (eye.side == "right")
    sides = [draw_eye(seed).side == "right" for seed in range(600)]
    assert 0.45 < np.mean(sides) < 0.55


def test_order_of_features_does_not_matter() -> None:
    eye = draw_eye(7)
    pair = (Feature("pale-disc", "temporal", 0.6), Feature("enlarged-cup", "concentric", 0.6))
    one, two = render(eye, pair, VIEW), render(eye, pair[::-1], VIEW)
    assert np.array_equal(one.picture, two.picture)
    assert one.facts == two.facts


def test_unknown_things_are_named_errors_with_the_allowed_names() -> None:
    with pytest.raises(BadInput, match="pale-disc"):
        render(draw_eye(1), (Feature("blue-disc"),), VIEW)
    with pytest.raises(BadInput, match="temporal"):
        render(draw_eye(1), (Feature("pale-disc", "sideways"),), VIEW)
    with pytest.raises(BadInput, match="twice"):
        render(draw_eye(1), (Feature("pale-disc"), Feature("pale-disc", "temporal")), VIEW)
    with pytest.raises(BadInput, match="outside 0 to 1"):
        Feature("pale-disc", "", 1.5)
    with pytest.raises(BadInput, match="outside"):
        draw_eye(1, pigmentation=1.4)
    with pytest.raises(BadInput, match="left"):
        draw_eye(1, side="middle")  # type: ignore[arg-type]
    # Bad names are refused even when their severity is 0.
    with pytest.raises(BadInput):
        resolve((Feature("pale-disc", "sideways", 0.0),))


def test_every_registered_kind_states_its_variants_and_floor() -> None:
    for kind, painter in painters().items():
        assert painter.kind == kind
        assert painter.variants
        for variant in painter.variants:
            assert 0.0 < floor_of(kind, variant) < 1.0
    with pytest.raises(BadInput):
        floor_of("pale-disc", "sideways")


def test_two_painters_cannot_share_a_name() -> None:
    with pytest.raises(BadInput, match="two painters"):

        @register
        class Other(Painter):
            kind = "pale-disc"
            variants = ("x",)


def test_scene_refuses_unknown_masks_and_vessel_changes() -> None:
    scene = Scene.of(draw_eye(1), VIEW)
    with pytest.raises(BadInput, match="haemorrhage"):
        scene.add_mask("bruise", np.zeros((256, 256), bool))
    with pytest.raises(BadInput, match="no change"):
        scene.change_vessels(colour=2.0)


def test_changes_of_two_findings_combine() -> None:
    scene = Scene.of(draw_eye(1), VIEW)
    scene.change_vessels(artery_calibre=0.8, cup_fade=0.5, nasal_shift=0.1)
    scene.change_vessels(artery_calibre=0.5, cup_fade=0.2, nasal_shift=0.2)
    assert scene.changes.artery_calibre == pytest.approx(0.4)
    assert scene.changes.cup_fade == 0.5
    assert scene.changes.nasal_shift == pytest.approx(0.3)
    scene.change_vessels(artery_calibre=lambda x, y: 1 + 0 * x)
    assert callable(scene.changes.artery_calibre)
    assert scene.changes.artery_calibre(np.zeros(2), np.zeros(2)).tolist() == [0.4, 0.4]


def test_population_spreads() -> None:
    eyes = [draw_eye(seed) for seed in range(500)]
    pigment = np.array([e.pigmentation for e in eyes])
    age = np.array([e.age for e in eyes])
    assert pigment.min() < 0.12
    assert pigment.max() > 0.88
    assert 0.4 < pigment.mean() < 0.6
    assert age.min() < 15
    assert age.max() > 80
    assert 35 < age.mean() < 60
    assert np.mean([e.quality > 0.8 for e in eyes]) > 0.7
    given = draw_eye(9, side="left", pigmentation=0.2, age=70.0, camera="gold", quality=0.5)
    assert (given.side, given.pigmentation, given.age) == ("left", 0.2, 70.0)
    assert (given.camera, given.quality) == ("gold", 0.5)
