"""The same photograph is known again however it was saved; another eye is not taken for it."""

from __future__ import annotations

import io

import numpy as np
import pytest
import skimage.data
from PIL import Image, ImageEnhance

from server.rendering import draw_eye, render
from server.rendering.eye import Picture, View
from server.rendering.likeness import ALIKE, difference, likeness_hash, mirrored_hash


@pytest.fixture(scope="module")
def real() -> Picture:
    image = Image.fromarray(skimage.data.retina())  # type: ignore[no-untyped-call]
    return np.asarray(image.resize((512, 512)))


def changed(picture: Picture, how: str) -> Picture:
    image = Image.fromarray(picture)
    side = picture.shape[0]
    if how == "poor JPEG":
        buffer = io.BytesIO()
        image.save(buffer, "JPEG", quality=40)
        return np.asarray(Image.open(buffer).convert("RGB"))
    if how == "half the size":
        return np.asarray(image.resize((side // 2, side // 2)))
    if how == "brighter":
        return np.asarray(ImageEnhance.Brightness(image).enhance(1.2))
    if how == "turned":
        return np.asarray(image.rotate(2))
    margin = side // 50
    inner = image.crop((margin, margin, side - margin, side - margin))
    return np.asarray(inner.resize((side, side)))


@pytest.mark.parametrize("how", ["poor JPEG", "half the size", "brighter", "turned", "cropped"])
def test_the_same_picture_is_known_again(real: Picture, how: str) -> None:
    assert difference(likeness_hash(real), likeness_hash(changed(real, how))) < ALIKE


def test_its_mirror_image_is_known_as_such(real: Picture) -> None:
    mirrored = np.ascontiguousarray(real[:, ::-1])
    assert mirrored_hash(mirrored) == likeness_hash(real)
    assert difference(likeness_hash(mirrored), likeness_hash(real)) > ALIKE


def test_other_eyes_are_not_taken_for_it(real: Picture) -> None:
    view = View(size_px=256)
    eyes = [render(draw_eye(seed, side="left"), (), view).picture for seed in (1, 2, 3)]
    hashes = [likeness_hash(real), *(likeness_hash(eye) for eye in eyes)]
    assert all(
        difference(one, other) > ALIKE + 0.05
        for place, one in enumerate(hashes)
        for other in hashes[:place]
    )
    assert {len(one) for one in hashes} == {256}
